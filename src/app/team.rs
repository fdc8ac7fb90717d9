//! The cores that measure: one, or two that share the rows of a field.
//!
//! In: whether the source keeps its own time. Out: [`Team::run`], within which [`Team::hands`] holds. A live source needs no
//! more than a part of one core, and the other is the capture's: then there is no second thread.
//!
//! Does not know: what is measured.

use anyhow::{Context, Result};
use rayon::{ThreadPool, ThreadPoolBuilder};

use crate::measures::hands::Hands;

/// Threads that share a field: more would wait for the parts of the work that only one can do.
const SHARERS: usize = 2;

/// The threads that measure.
pub(super) struct Team {
    pool: Option<ThreadPool>,
}

impl Team {
    /// The team for a source that is `live` or waits; on a machine, or part of one, that has a single core nobody shares.
    ///
    /// # Errors
    /// The system has no thread left.
    pub(super) fn gather(live: bool) -> Result<Self> {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        if live || cores < SHARERS {
            return Ok(Self { pool: None });
        }
        let pool = ThreadPoolBuilder::new()
            .num_threads(SHARERS)
            .thread_name(|nth| format!("analysis {}", nth + 1))
            .build()
            .context("starting the threads that measure")?;
        Ok(Self { pool: Some(pool) })
    }

    /// One thread alone: others measure at the same time.
    pub(super) fn alone() -> Self {
        Self { pool: None }
    }

    /// What measures are to share rows by.
    pub(super) fn hands(&self) -> Hands {
        match self.pool {
            Some(_) => Hands::Pool,
            None => Hands::One,
        }
    }

    /// Does `work` where the team is at hand, and waits for its end.
    pub(super) fn run<R: Send>(&self, work: impl FnOnce() -> R + Send) -> R {
        match &self.pool {
            Some(pool) => pool.install(work),
            None => work(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_live_source_is_measured_by_one_thread_and_work_is_done_either_way() {
        let live = Team::gather(true).expect("no thread is needed");
        assert_eq!(live.hands(), Hands::One);
        let waits = Team::gather(false).expect("a test may start threads");
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        assert_eq!(waits.hands() == Hands::Pool, cores >= SHARERS);
        for team in [live, waits] {
            assert_eq!(team.run(|| team.hands().both(|| 3, || 4)), (3, 4));
        }
    }
}
