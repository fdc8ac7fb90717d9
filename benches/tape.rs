//! Cost of the simulated tape: it must leave most of a core to what it is there to exercise.
//!
//! A 525-line frame may take 33.4 ms, a 625-line one 40 ms, when played in real time; the aim is 15 % of that.

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use trueline::sources::tape::{Pace, Tape};
use trueline::sources::{Source, StandardWish, Wishes};
use trueline::standard::Standard;

/// Nothing special; a played transport; an unsteady camera and things that move; every stage of a box.
const SCENES: [&str; 4] = ["clean", "bare-player", "handheld", "box-soft"];

fn frames(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("tape");
    group.throughput(Throughput::Elements(1)).sample_size(50);
    for standard in [Standard::Lines525, Standard::Lines625] {
        let wishes = Wishes {
            standard: Some(StandardWish::Lines(standard)),
            ..Wishes::default()
        };
        for scene in SCENES {
            let endless = Pace::Free {
                frames: Some(u64::MAX),
            };
            let mut tape = Tape::open(scene, &wishes, endless).expect("the scene exists");
            group.bench_function(BenchmarkId::new(scene, standard.word()), |bencher| {
                bencher.iter(|| tape.next_frame().expect("a simulated tape does not fail"));
            });
        }
    }
    group.finish();
}

criterion_group!(benches, frames);
criterion_main!(benches);
