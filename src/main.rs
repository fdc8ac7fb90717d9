//! Parses, runs, prints the error chain, sets the exit code.

use std::process::ExitCode;

use trueline::{app, cli};

#[expect(
    clippy::print_stderr,
    reason = "the one place where a failure is printed, once"
)]
fn main() -> ExitCode {
    let job = match cli::Job::from_command_line() {
        Ok(job) => job,
        Err(error) => {
            eprintln!("trueline: {error:#}");
            return app::Outcome::Usage.into();
        }
    };
    match app::run(job) {
        Ok(outcome) => outcome.into(),
        Err(error) => {
            eprintln!("trueline: {error:#}");
            app::Outcome::Failed.into()
        }
    }
}
