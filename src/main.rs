//! Parses, runs, prints the error chain, sets the exit code.

use std::process::ExitCode;

use trueline::{app, cli};

fn main() -> ExitCode {
    let job = match cli::Job::from_command_line() {
        Ok(job) => job,
        Err(error) => {
            app::say(&format!("{error:#}"));
            return app::Outcome::Usage.into();
        }
    };
    match app::run(job) {
        Ok(outcome) => outcome.into(),
        Err(error) => {
            app::say(&format!("{error:#}"));
            app::Outcome::Failed.into()
        }
    }
}
