//! Hours of a mixed tape with faults all the time, through the whole program: `cargo bench --bench soak -- [--hours H]
//! [--at-most MINUTES] [--live-minutes M] [--seed N]`.
//!
//! First a tape is simulated here and piped into `trueline scan`, as fast as that takes it: what was put in, and where, is
//! known, so that missed and false events can be counted; `--at-most` ends it after so many minutes of the clock, wherever it is. Then `trueline watch` plays a live tape in real time. All along
//! resident memory, file handles, threads and the size of the pass are looked at from outside. Prints tables, says what does not
//! hold, and ends with 1 then: memory that grows by a MiB an hour of tape after the warm-up, handles or threads that grow, frames
//! lost, faults not told, and events of nothing.

#![expect(clippy::print_stdout, reason = "figures are what it is for")]

use std::process::ExitCode;
use std::time::Duration;

mod judge;
mod live;
mod piped;
mod tape;
mod vitals;

type Result<T> = std::result::Result<T, Box<dyn std::error::Error>>;

/// What is to be run.
struct Plan {
    tape: Duration,
    at_most: Duration,
    live: Duration,
    seed: u64,
}

fn main() -> ExitCode {
    // `cargo test --benches` runs this too, with nothing to do.
    if !std::env::args().any(|word| word == "--bench") {
        return ExitCode::SUCCESS;
    }
    match plan().and_then(|plan| run(&plan)) {
        Ok(broken) if broken.is_empty() => {
            println!("\nit held");
            ExitCode::SUCCESS
        }
        Ok(broken) => {
            println!("\nit did not hold:");
            for what in &broken {
                println!("  {what}");
            }
            ExitCode::FAILURE
        }
        Err(error) => {
            println!("{error}");
            ExitCode::FAILURE
        }
    }
}

fn plan() -> Result<Plan> {
    let mut plan = Plan {
        tape: Duration::from_secs(8 * 3600),
        at_most: Duration::MAX,
        live: Duration::from_secs(3600),
        seed: 1,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || -> Result<f64> {
            let text = words.next().ok_or(format!("{word} wants a number"))?;
            Ok(text.parse()?)
        };
        match word.as_str() {
            "--hours" => plan.tape = Duration::try_from_secs_f64(3600.0 * number()?)?,
            "--at-most" => plan.at_most = Duration::try_from_secs_f64(60.0 * number()?)?,
            "--live-minutes" => plan.live = Duration::try_from_secs_f64(60.0 * number()?)?,
            "--seed" => plan.seed = number()? as u64,
            "--bench" => {}
            other => {
                return Err(format!(
                    "{other}: --hours H, --at-most MINUTES, --live-minutes M, --seed N"
                )
                .into());
            }
        }
    }
    Ok(plan)
}

fn run(plan: &Plan) -> Result<Vec<String>> {
    let place = tempfile::tempdir()?;
    let mut broken = Vec::new();
    if !plan.tape.is_zero() {
        broken.extend(piped::run(
            place.path(),
            plan.tape,
            plan.at_most,
            plan.seed,
        )?);
    }
    if !plan.live.is_zero() {
        broken.extend(live::run(place.path(), plan.live, plan.seed)?);
    }
    Ok(broken)
}
