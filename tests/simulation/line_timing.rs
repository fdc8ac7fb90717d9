//! Line timing, flagging, head switch and tears on the scenes of the simulated tape.

use trueline::fields::{Field, FieldPlace, FieldRaster, History, Plane};
use trueline::measures::line_timing::{Input, LineTiming, Reading};
use trueline::measures::{Measure, flagging, head_switch, tear};
use trueline::sources::tape::{FieldTruth, Pace, Tape};
use trueline::sources::{Gap, InputState, Source, Wishes};
use trueline::standard::{BT601_LUMA_RATE, Parity, RateTrust, Standard};
use trueline::units::{CodeRange, Seconds};

/// One sample of 13.5 MHz in ns.
const ONE: f64 = 1000.0 / 13.5;

/// A field as read and as it was made.
struct Seen {
    timing: Reading,
    flagging: flagging::Reading,
    head_switch: head_switch::Reading,
    tear: tear::Reading,
    truth: FieldTruth,
}

/// The luma of one field out of a woven frame.
fn field_of(data: &[u8], rows: usize, truth: &FieldTruth) -> Field {
    const WIDTH: usize = 720;
    let skip = usize::from(truth.parity == Parity::Bottom);
    let samples = data[..WIDTH * rows]
        .chunks_exact(WIDTH)
        .skip(skip)
        .step_by(2)
        .flatten()
        .copied()
        .collect();
    Field {
        place: FieldPlace {
            field: truth.field,
            parity: truth.parity,
            seconds: Seconds(0.0),
        },
        raster: FieldRaster {
            width: WIDTH,
            rows: rows / 2,
            frame_rows: rows,
            sample_rate: Some(BT601_LUMA_RATE),
            rate_trust: RateTrust::Known,
            standard: Standard::from_rows(rows),
            range: CodeRange::Studio,
            progressive: false,
        },
        luma: Plane {
            samples,
            width: WIDTH,
            rows: rows / 2,
        },
        cb: Plane::default(),
        cr: Plane::default(),
        native: None,
        gap: Gap::default(),
        damaged: false,
        input: InputState::default(),
    }
}

/// Plays the first `frames` of a scene through the measures.
fn play(scene: &str, frames: u64) -> Vec<Seen> {
    let wishes = Wishes::default();
    let pace = Pace::Free {
        frames: Some(frames),
    };
    let mut tape = Tape::open(scene, &wishes, pace).expect("the scene exists");
    let rows = tape.truth_header().rows;
    let (mut timing, mut flagging) = (LineTiming::default(), flagging::Flagging::default());
    let (mut head_switch, mut tear) = (head_switch::HeadSwitch::default(), tear::Tear::default());
    let mut seen = Vec::new();
    while let Some(frame) = tape.next_frame().expect("a simulated tape plays") {
        for truth in tape.truth().clone() {
            let mut history = History::default();
            history.push(field_of(frame.data.bytes(), rows, &truth));
            let around = history.neighbourhood().expect("a field was pushed");
            let reading = timing.measure(Input {
                around: &around,
                picture_shown: !truth.lines.is_empty(),
                head_switch_line: head_switch.settled_line(),
            });
            seen.push(Seen {
                flagging: flagging.measure(&reading),
                head_switch: head_switch.measure(&reading),
                tear: tear.measure(&reading),
                timing: reading,
                truth,
            });
        }
    }
    seen
}

#[test]
fn probe() {
    let scenes = std::env::var("SCENES").unwrap_or_default();
    for scene in scenes.split(',') {
        let seen = play(scene, 60);
        let mut z = Vec::new();
        let mut e = Vec::new();
        let (mut basis, mut cov, mut m, mut t) = (0, 0.0, 0.0, 0.0);
        let mut ratio = Vec::new();
        for s in seen.iter().skip(24) {
            let Some(rms) = s.timing.error_rms else {
                continue;
            };
            basis += 1;
            cov += s.timing.coverage.map_or(0.0, |c| c.0);
            let rows = s.timing.picture_rows.clone();
            let truth = detrended_rms(&s.truth.lines[rows.clone()]);
            m += rms.value.0.powi(2);
            t += truth.powi(2);
            ratio.push((rms.value.0, rms.sigma.0, truth));
            let mut err: Vec<(f64, f64)> = s
                .timing
                .lines
                .usable()
                .filter(|(r, _)| rows.contains(r))
                .map(|(r, l)| (l.displacement.0 - s.truth.lines[r], l.sigma.0))
                .collect();
            let mut d: Vec<f64> = err.iter().map(|e| e.0).collect();
            d.sort_by(f64::total_cmp);
            let med = d[d.len() / 2];
            for x in &mut err {
                x.0 -= med;
            }
            z.extend(err.iter().map(|e| (e.0 / e.1).abs()));
            e.extend(err.iter().map(|e| e.0.abs() / ONE));
        }
        z.sort_by(f64::total_cmp);
        e.sort_by(f64::total_cmp);
        let q = |v: &Vec<f64>, p: f64| {
            v.get((v.len() as f64 * p) as usize)
                .copied()
                .unwrap_or(f64::NAN)
        };
        let n = f64::from(basis.max(1));
        let last = seen.last().unwrap();
        println!(
            "{scene:20} n {basis:3}/{} cov {:.2} rms {:7.2} true {:7.2} | err med {:.3} p95 {:.3} p99 {:.2} max {:.2} px | z {:.2} p95 {:.2} | {:?} {:?} | flag {:.0?} hs {:?} {:?} {:?} tear {:?} masked {}",
            seen.len(),
            cov / n,
            (m / n).sqrt(),
            (t / n).sqrt(),
            q(&e, 0.5),
            q(&e, 0.95),
            q(&e, 0.99),
            q(&e, 0.9999),
            q(&z, 0.5) * 1.4826,
            q(&z, 0.95),
            last.timing.border,
            last.timing.why_none,
            last.flagging.offset.map(|o| (o.value.0, o.sigma.0)),
            last.head_switch.line,
            last.head_switch.step.map(|s| s.value.0),
            last.head_switch.lines,
            last.tear.lines,
            last.timing.masked_rows
        );
    }
}

fn detrended_rms(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let centre = (n - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / n;
    let (mut xx, mut xy) = (0.0, 0.0);
    for (i, value) in values.iter().enumerate() {
        xx += (i as f64 - centre).powi(2);
        xy += (i as f64 - centre) * (value - mean);
    }
    let rest = values
        .iter()
        .enumerate()
        .map(|(i, v)| v - mean - xy / xx * (i as f64 - centre));
    (rest.map(|r| r * r).sum::<f64>() / (n - 2.0)).sqrt()
}
