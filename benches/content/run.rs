//! Films a scene, times it at several noises at once, and scores what is said.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use trueline::measures::line_timing::content::{ContentTiming, ContentTrace};

use crate::world::camera::Motion;
use crate::world::dice::{Dice, seed_of};
use crate::world::jitter::Jitter;
use crate::world::picture::Picture;
use crate::world::render::{Filter, Noise, Renderer, Run, Sampling, Scene, WIDTH};
use crate::world::score::{Said, Seen};

/// Fields of a run, 12 a parity.
pub(crate) const FIELDS: usize = 24;

/// One run to be made.
#[derive(Clone, Debug)]
pub(crate) struct Cell {
    pub(crate) picture: &'static str,
    pub(crate) motion: Motion,
    pub(crate) jitter: Jitter,
    pub(crate) sampling: Sampling,
    pub(crate) rows: usize,
    pub(crate) noises: Vec<Noise>,
}

impl Cell {
    /// Whether all words are among the names of the cell or of its table.
    pub(crate) fn is_asked_for(&self, table: &str, words: &[String]) -> bool {
        let names = [
            table.to_owned(),
            self.picture.to_owned(),
            self.motion.name(),
            self.jitter.name().to_owned(),
            self.rows.to_string(),
        ];
        words.iter().all(|word| {
            names.contains(word) || self.noises.iter().any(|noise| noise.is_called(word))
        })
    }

    /// Keeps the noises that the words ask for: all where they name none.
    pub(crate) fn keep_noises(&mut self, words: &[String]) {
        for word in words {
            if self.noises.iter().any(|noise| noise.is_called(word)) {
                self.noises.retain(|noise| noise.is_called(word));
            }
        }
    }

    fn seed(&self) -> u64 {
        seed_of(&[self.picture, &self.motion.name(), self.jitter.name()])
    }

    /// The run at each of the noises.
    pub(crate) fn run(&self, pictures: &Pictures) -> Option<Vec<Vec<Seen>>> {
        let scene = pictures.scene(self.picture, self.rows)?;
        let after = (self.motion == Motion::Cut)
            .then(|| pictures.scene(next_after(self.picture), self.rows))
            .flatten();
        let after = after.as_ref().unwrap_or(&scene);
        let mut renderer = Renderer::new(Run {
            rows: self.rows,
            motion: self.motion,
            jitter: self.jitter,
            sampling: self.sampling,
            seed: self.seed(),
            fields: FIELDS,
        });
        let mut filter = Filter::for_noise();
        let mut dice = Dice::new(self.seed() ^ 1);
        let mut timings: Vec<(Noise, ContentTiming, Vec<Seen>)> = self
            .noises
            .iter()
            .map(|&noise| (noise, ContentTiming::new(), Vec::with_capacity(FIELDS)))
            .collect();
        for _ in 0..FIELDS {
            let field = renderer.next(&scene, after);
            for (noise, timing, run) in &mut timings {
                let luma = field.noisy(*noise, &mut dice, &mut filter);
                let said = said(timing.time(&luma, field.parity, 0..WIDTH), self.rows);
                run.push(Seen::new(&field, said, noise.density()));
            }
        }
        Some(timings.into_iter().map(|(_, _, run)| run).collect())
    }
}

fn said(trace: &ContentTrace, rows: usize) -> Said {
    Said {
        lines: (0..rows)
            .map(|row| {
                let shift = trace.line(row)?;
                Some((f64::from(shift.value), f64::from(shift.variance).sqrt()))
            })
            .collect(),
        averaged: f64::from(trace.averaged()),
        cut: trace.cut(),
    }
}

/// The scene that a cut goes to.
fn next_after(picture: &str) -> &'static str {
    if picture == "coffee" {
        "camera"
    } else {
        "coffee"
    }
}

/// The pictures that are there.
pub(crate) struct Pictures {
    read: Vec<(&'static str, Picture)>,
}

impl Pictures {
    /// Reads them and says which are missing.
    pub(crate) fn read(names: &[&'static str]) -> Self {
        let mut read = Vec::new();
        for &name in names {
            match Picture::named(name) {
                Ok(picture) => read.push((name, picture)),
                Err(error) => println!("left out: {error}"),
            }
        }
        Self { read }
    }

    pub(crate) fn get(&self, name: &str) -> Option<&Picture> {
        let (_, picture) = self.read.iter().find(|(known, _)| *known == name)?;
        Some(picture)
    }

    fn scene(&self, name: &str, rows: usize) -> Option<Scene> {
        Some(Scene::new(self.get(name)?, rows))
    }
}

/// Does `work` for every item on all processors; results in order.
pub(crate) fn on_all<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, R)>> = Mutex::new(Vec::with_capacity(items.len()));
    let workers = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..workers {
            scope.spawn(|| {
                loop {
                    let place = next.fetch_add(1, Ordering::Relaxed);
                    let Some(item) = items.get(place) else { return };
                    let result = work(item);
                    done.lock().expect("no worker panics").push((place, result));
                }
            });
        }
    });
    let mut done = done.into_inner().expect("no worker panics");
    done.sort_by_key(|(place, _)| *place);
    done.into_iter().map(|(_, result)| result).collect()
}
