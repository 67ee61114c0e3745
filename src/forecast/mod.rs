//! Model + ages + schedule → remaining life, chance in each job, demand distributions.

mod types;

pub use types::*;
