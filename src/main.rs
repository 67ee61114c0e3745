//! The wearcast command line; all it does is in the library.

/// Forecasts ask for many small vectors at once on all cores, which the system's allocator is slow at.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> std::process::ExitCode {
    wearcast::cli::run(std::env::args_os())
}
