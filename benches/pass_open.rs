//! Six hours of a pass: how fast it is written, how large it is, and how soon it opens.

use std::hint::black_box;
use std::io::Write;
use std::time::Instant;

use criterion::Criterion;
use trueline::measures::QUANTITY_COUNT;
use trueline::record::{Finished, Pass};

use long_pass::{SIX_HOURS, fields, record};

mod long_pass;

fn main() {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let path = scratch.path().join("evening.pass");
    let began = Instant::now();
    record(&path, SIX_HOURS, 0, |_| None);
    let took = began.elapsed().as_secs_f64();
    let megabytes = std::fs::metadata(&path).expect("the pass").len() as f64 / 1e6;
    let _ = writeln!(
        std::io::stdout(),
        "six hours, {QUANTITY_COUNT} quantities: written in {took:.1} s ({:.0} fields/s), {:.1} MB an hour",
        fields(SIX_HOURS) as f64 / took,
        megabytes / 6.0,
    );
    let mut criterion = Criterion::default().sample_size(10).configure_from_args();
    criterion.bench_function("open six hours and read one gauge of it", |bencher| {
        bencher.iter(|| {
            let pass = Pass::open(&path).expect("the pass");
            black_box(pass.events().expect("events"));
            black_box(pass.last_place().expect("a place"));
            pass.seconds(0, 0..SIX_HOURS + 1).expect("seconds").len()
        });
    });
    criterion.bench_function("open six hours for a review", |bencher| {
        bencher.iter(|| {
            let pass = Pass::open(&path).expect("the pass");
            Finished::at_once(&pass)
                .expect("it makes sense")
                .quantities
                .len()
        });
    });
    criterion.final_summary();
}
