//! What the program measured from the device against the same frames measured offline, on the host.
//!
//! The loop repeats frames and leaves some out, and a slow guest loses more. So each captured frame is first found among
//! those that were played: jitter and noise make each one's numbers its own, and hardly any depend on where in a pass it
//! comes. Then exactly the frames that were captured, with the same losses between them, are measured again from the file
//! they were rendered to: now every quantity must be the same. A frame that was taken for another would show in all of
//! them. The program itself measures them too, by `trueline scan` of a file that has no losses: every quantity must be the same
//! as when they are measured here without losses.

use std::error::Error;
use std::path::Path;

use trueline::fields::{History, Splitter};
use trueline::measures::{QUANTITY_COUNT, Quantity, Suite, Value, quantities, quantity};
use trueline::record::{Pass, Row};
use trueline::sources::{Frame, Gap};
use trueline::timecode::FieldIndex;

use crate::clips::Clip;

/// Fewer captured frames would prove little of quantities with memory. A busy machine captures few, but not that few.
const LEAST_FRAMES: usize = 4;

/// Distance within which a captured frame is the nearest of those played. Seen: 0.02 to 0.25, at the start of a pass up to
/// 0.5; to the second nearest 0.3 to 0.55.
const OURS: f64 = 0.28;

/// Frames tried where the likeliest is not near enough, and for the first: a fifth of a clip.
const CANDIDATES: usize = 12;

/// Steps of storage that two processors may differ by: rounding of the last bit may fall on either side of a step.
const SLACK: f64 = 1.0;

/// Compares; what was found, for the record.
pub(crate) fn check(clip: &Clip, share: &Path) -> Result<String, Box<dyn Error>> {
    let live = rows(&Pass::open(&clip.live_pass(share))?)?;
    let captured = by_frame(&live);
    if captured.len() < LEAST_FRAMES {
        return Err(format!("only {} frames were measured", captured.len()).into());
    }
    let frames = clip.frames(share)?;
    let twice: Vec<&Frame> = frames.iter().chain(&frames).collect();
    let file = rows(&Pass::open(&clip.scan(share, "twice", &twice)?)?)?;
    // Of the second time round, when all is settled.
    let played = Played::of(&file[file.len() / 2..]);
    let (found, again) = find_all(&played, &captured, &frames, &live)?;
    let captured_frames: Vec<&Frame> = found.iter().map(|&index| &frames[index]).collect();
    let scanned = rows(&Pass::open(&clip.scan(
        share,
        "captured",
        &captured_frames,
    )?)?)?;
    let whole = measure_again(&frames, &found, |_| 0);
    if again.len() < live.len() || scanned.len() != whole.len() {
        return Err(format!(
            "{} fields live, {} offline; {} scanned, {} offline",
            live.len(),
            again.len(),
            scanned.len(),
            whole.len()
        )
        .into());
    }
    if let Some(error) = unlike(&scanned, &whole) {
        return Err(format!("scanned: {error}").into());
    }
    let lost = captured.iter().map(|frame| missing(frame)).sum::<u64>();
    Ok(format!(
        "{} lines: {} fields as offline, {lost} lost between",
        clip.lines(),
        live.len()
    ))
}

/// Which frame each captured one is, and all of them measured again, which must give the same numbers.
///
/// At the beginning of a pass little is learned yet, so that a frame's numbers are hard to know again. There the likeliest few are
/// tried in turn, and the one that holds is the one under which every number of every frame so far comes out the same.
fn find_all(
    played: &Played<'_>,
    captured: &[&[Row]],
    frames: &[Frame],
    live: &[Row],
) -> Result<(Vec<usize>, Vec<Row>), String> {
    let mut found: Vec<usize> = Vec::new();
    for (nth, frame) in captured.iter().enumerate() {
        let ranked = played.nearest(frame, CANDIDATES);
        let &(distance, likeliest) = ranked.first().ok_or("nothing was played")?;
        if nth > 0 && distance < OURS {
            found.push(likeliest);
            continue;
        }
        let mut told = String::new();
        let holds = ranked.iter().find(|(_, candidate)| {
            found.push(*candidate);
            let again = measure_again(frames, &found, |nth| missing(captured[nth]));
            found.pop();
            match unlike(live, &again) {
                None => true,
                // What speaks against the likeliest is what there is to tell.
                Some(error) => {
                    if told.is_empty() {
                        told = error;
                    }
                    false
                }
            }
        });
        let &(_, holds) = holds.ok_or_else(|| {
            format!(
                "{:?} is none of the {CANDIDATES} frames it is most like: {told}",
                frame[0].place
            )
        })?;
        found.push(holds);
    }
    let again = measure_again(frames, &found, |nth| missing(captured[nth]));
    match unlike(live, &again) {
        None => Ok((found, again)),
        Some(error) => Err(error),
    }
}

/// The first thing in which rows differ that should be the same.
fn unlike(live: &[Row], again: &[Row]) -> Option<String> {
    live.iter()
        .zip(again)
        .find_map(|(live, again)| same(live, again).err())
}

fn rows(pass: &Pass) -> Result<Vec<Row>, Box<dyn Error>> {
    let rows = pass.rows(FieldIndex(0)..FieldIndex(u64::MAX));
    Ok(rows.collect::<Result<_, _>>()?)
}

/// The rows of each frame: two, of the last one perhaps one.
fn by_frame(rows: &[Row]) -> Vec<&[Row]> {
    rows.chunk_by(|a, b| a.place.frame() == b.place.frame())
        .collect()
}

/// The frames that were played, as the program measured them in a file.
struct Played<'a> {
    frames: Vec<&'a [Row]>,
    /// How far each number spreads over them.
    spreads: [f64; QUANTITY_COUNT],
}

impl<'a> Played<'a> {
    fn of(rows: &'a [Row]) -> Self {
        Self {
            frames: by_frame(rows),
            spreads: std::array::from_fn(|place| spread(rows, place)),
        }
    }

    /// The few that a captured frame is most like, likeliest first, each with its distance.
    fn nearest(&self, captured: &[Row], few: usize) -> Vec<(f64, usize)> {
        let distances = self.frames.iter().map(|it| self.distance(captured, it));
        let mut ranked: Vec<(f64, usize)> = distances.zip(0..).collect();
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        ranked.truncate(few);
        ranked
    }

    /// Mean difference of all numbers measured, in spreads, each one spread at most: 0 to 1.
    fn distance(&self, captured: &[Row], played: &[Row]) -> f64 {
        let (mut sum, mut count) = (0.0, 0);
        for (a, b) in captured.iter().zip(played) {
            for (place, &spread) in self.spreads.iter().enumerate() {
                if let Some(a) = number(a, place).filter(|_| spread > 0.0) {
                    sum += number(b, place).map_or(1.0, |b| ((a - b).abs() / spread).min(1.0));
                    count += 1;
                }
            }
        }
        if count == 0 {
            1.0
        } else {
            sum / f64::from(count)
        }
    }
}

/// Standard deviation of a number over rows; 0 for what is no number.
fn spread(rows: &[Row], place: usize) -> f64 {
    let numbers: Vec<f64> = rows.iter().filter_map(|row| number(row, place)).collect();
    let count = numbers.len().max(1) as f64;
    let mean = numbers.iter().sum::<f64>() / count;
    let squares = numbers.iter().map(|it| (it - mean).powi(2));
    (squares.sum::<f64>() / count).sqrt()
}

fn number(row: &Row, place: usize) -> Option<f64> {
    match row.values[place] {
        Some(Value::Number { value, .. }) => Some(value),
        _ => None,
    }
}

/// Measures the frames that were captured anew, by way of the file they were rendered to, each after as many lost fields.
fn measure_again(frames: &[Frame], found: &[usize], lost: impl Fn(usize) -> u64) -> Vec<Row> {
    let (mut splitter, mut history, mut suite) =
        (Splitter::new(), History::default(), Suite::new());
    let mut rows = Vec::new();
    for (nth, &index) in found.iter().enumerate() {
        let frame = Frame {
            gap: Gap {
                lost_by_source: lost(nth),
                ..Gap::default()
            },
            ..frames[index].clone()
        };
        splitter.split(&frame, &mut history, |history| {
            let around = history.neighbourhood().expect("a field was put there");
            rows.push(Row::from(&suite.measure(&around)));
        });
    }
    rows
}

/// Fields lost before a captured frame.
fn missing(captured: &[Row]) -> u64 {
    let (place, _) = quantity("sync.missing_fields").expect("it is measured");
    match captured[0].values[place] {
        Some(Value::Count(fields)) => fields,
        other => panic!("losses are counted, not {other:?}"),
    }
}

fn same(live: &Row, again: &Row) -> Result<(), String> {
    let (a, b) = (live.place, again.place);
    if (a.field, a.parity) != (b.field, b.parity) {
        return Err(format!("{a:?} of the device is {b:?} offline"));
    }
    let unlike: Vec<String> = (0..QUANTITY_COUNT)
        .zip(quantities())
        .filter(|(place, quantity)| !equal(quantity, live.values[*place], again.values[*place]))
        .map(|(place, quantity)| {
            let [live, again] = [live, again].map(|row| row.values[place]);
            format!("{} is {live:?}, offline {again:?}", quantity.id)
        })
        .collect();
    if unlike.is_empty() {
        return Ok(());
    }
    Err(format!(
        "field {}: {}",
        live.place.field.0,
        unlike.join("; ")
    ))
}

/// Equal as stored: to the step, sigmas to a tenth of it.
fn equal(quantity: &Quantity, a: Option<Value>, b: Option<Value>) -> bool {
    let within =
        |a: f64, b: f64, step: f64| ((a / step).round() - (b / step).round()).abs() <= SLACK;
    match (a, b) {
        (
            Some(Value::Number { value: a, sigma: s }),
            Some(Value::Number { value: b, sigma: t }),
        ) => {
            let sigmas = match (s, t) {
                (Some(s), Some(t)) => within(s, t, quantity.step / 10.0),
                (None, None) => true,
                _ => false,
            };
            within(a, b, quantity.step) && sigmas
        }
        _ => a == b,
    }
}
