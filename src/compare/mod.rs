//! Lives by group → tests, life ratios, sample planning.
