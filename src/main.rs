//! The wearcast command line; all it does is in the library.

fn main() -> std::process::ExitCode {
    wearcast::cli::run(std::env::args_os())
}
