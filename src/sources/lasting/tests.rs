use std::sync::{Mutex, PoisonError};

use super::*;
use crate::sources::{ChromaGrid, FieldOrder, FramePool, Gap, InputState, Packing, SampleFormat};
use crate::standard::{Parity, RateTrust, Standard};
use crate::units::CodeRange;

/// A time that only moves when it is told to, or waited for.
#[derive(Clone)]
struct Hands(Arc<Mutex<Moment>>);

#[derive(Clone, Copy)]
struct Moment {
    start: Instant,
    passed: Duration,
    suspended: Duration,
}

impl Hands {
    fn new() -> Self {
        Self(Arc::new(Mutex::new(Moment {
            start: Instant::now(),
            passed: Duration::ZERO,
            suspended: Duration::ZERO,
        })))
    }

    fn with<R>(&self, change: impl FnOnce(&mut Moment) -> R) -> R {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn pass(&self, millis: u64) {
        self.with(|moment| moment.passed += ms(millis));
    }

    fn passed(&self) -> Duration {
        self.with(|moment| moment.passed)
    }

    fn suspend(&self, millis: u64) {
        self.with(|moment| moment.suspended += ms(millis));
    }
}

impl Time for Hands {
    fn now(&self) -> Instant {
        self.with(|moment| moment.start + moment.passed)
    }

    fn suspended(&self) -> Duration {
        self.with(|moment| moment.suspended)
    }

    fn wait(&mut self, time: Duration) {
        self.with(|moment| moment.passed += time);
    }
}

fn ms(millis: u64) -> Duration {
    Duration::from_millis(millis)
}

/// What a source does when it is asked.
#[derive(Clone, Copy)]
enum Step {
    /// A frame, so long after the one before.
    Frame(u64),
    /// One field.
    Field(u64, Parity),
    /// Nothing for half a second.
    Silence(SourceErrorKind),
    /// It breaks, so long after the frame before.
    Fault(SourceErrorKind, u64),
    /// Nothing, but the machine is suspended.
    Suspended(u64),
    /// It says something.
    News,
    /// Somebody sets its control.
    Control(i64),
}

/// What one opening gives.
enum Opening {
    Opens(Standard, Vec<Step>),
    Fails(SourceErrorKind),
}

struct Fake {
    description: SourceDescription,
    format: Arc<PictureFormat>,
    steps: VecDeque<Step>,
    hands: Hands,
    first: Option<Duration>,
    /// Its clock is the machine's.
    clocked: bool,
    news: VecDeque<News>,
    controls: Vec<ControlListing>,
    alive: Arc<()>,
}

fn control(value: i64) -> ControlListing {
    ControlListing::of_role(1, ControlRole::Brightness, value)
}

impl Source for Fake {
    fn description(&self) -> &SourceDescription {
        &self.description
    }

    fn format(&self) -> &Arc<PictureFormat> {
        &self.format
    }

    fn next_frame(&mut self) -> Result<Option<Frame>, SourceError> {
        assert_eq!(Arc::strong_count(&self.alive), 2, "opened once at a time");
        let (millis, rows) = match self.steps.pop_front() {
            Some(Step::Frame(millis)) => (millis, RowLayout::Woven),
            Some(Step::Field(millis, parity)) => (millis, RowLayout::Single(parity)),
            Some(Step::Silence(kind)) => {
                self.hands.pass(500);
                return Err(SourceError::new(kind, "nothing comes"));
            }
            Some(Step::Fault(kind, millis)) => {
                self.hands.pass(millis);
                return Err(SourceError::new(kind, "it broke"));
            }
            Some(Step::Suspended(millis)) => {
                self.hands.suspend(millis);
                return self.next_frame();
            }
            Some(Step::News) => {
                self.news.push_back(News {
                    kind: NewsKind::Input,
                    text: "no signal".to_owned(),
                });
                return self.next_frame();
            }
            Some(Step::Control(value)) => {
                self.controls = vec![control(value)];
                return self.next_frame();
            }
            None => return Ok(None),
        };
        self.hands.pass(millis);
        let passed = self.hands.passed();
        let first = *self.first.get_or_insert(passed);
        Ok(Some(Frame {
            format: Arc::clone(&self.format),
            rows,
            data: FramePool::new(1, 8)
                .vacant()
                .expect("a new pool has room")
                .fill(),
            gap: Gap::default(),
            device_time: self.clocked.then(|| passed.saturating_sub(first)),
            arrived: self.hands.now(),
            damaged: false,
            input: InputState::Unsaid,
        }))
    }

    fn news(&mut self) -> Option<News> {
        self.news.pop_front()
    }

    fn controls(&self) -> &[ControlListing] {
        &self.controls
    }

    fn set_control(&mut self, setting: ControlSetting) -> Result<(), SourceError> {
        self.controls = vec![control(setting.value)];
        Ok(())
    }

    fn clock_origin(&self) -> Option<Duration> {
        self.first.filter(|_| self.clocked).map(|it| it + ms(7_000))
    }
}

struct Plan {
    openings: VecDeque<Opening>,
    hands: Hands,
    attempts: Arc<Mutex<Vec<Duration>>>,
    clocked: bool,
    alive: Arc<()>,
}

impl Open for Plan {
    fn open(&mut self) -> Result<Box<dyn Source>, SourceError> {
        assert_eq!(
            Arc::strong_count(&self.alive),
            1,
            "the device has one reader"
        );
        let now = self.hands.passed();
        self.attempts
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(now);
        match self.openings.pop_front() {
            Some(Opening::Opens(standard, steps)) => Ok(Box::new(Fake {
                description: SourceDescription {
                    name: "/dev/video0".into(),
                    kind: "fake".into(),
                    live: true,
                    frames: None,
                    details: Vec::new(),
                    controls: Vec::new(),
                    remarks: Vec::new(),
                },
                format: format(standard),
                steps: steps.into(),
                hands: self.hands.clone(),
                first: None,
                clocked: self.clocked,
                news: VecDeque::new(),
                controls: vec![control(128)],
                alive: Arc::clone(&self.alive),
            })),
            Some(Opening::Fails(kind)) => Err(SourceError::new(kind, "it cannot be opened")),
            None => Err(SourceError::new(
                SourceErrorKind::Missing,
                "no more openings",
            )),
        }
    }
}

fn format(standard: Standard) -> Arc<PictureFormat> {
    Arc::new(PictureFormat {
        width: 2,
        rows: 2,
        samples: SampleFormat {
            packing: Packing::Yuyv,
            chroma: ChromaGrid::Half,
            depth: 8,
        },
        padded_stride: None,
        range: CodeRange::Studio,
        standard: Some(standard),
        sample_rate: None,
        rate_trust: RateTrust::Presumed,
        field_order: Some(FieldOrder::Top),
        field_order_forced: false,
    })
}

/// A run of a lasting source to its end.
#[derive(Debug, Default)]
struct Run {
    /// Place of each frame's first field on the time axis, and its device time in milliseconds.
    frames: Vec<(u64, Option<u64>)>,
    silences: usize,
    said: Vec<String>,
    news: Vec<News>,
    attempts: Vec<Duration>,
    passed: Duration,
}

/// Silences that a run may have before it is taken for endless.
const ENDLESS: usize = 1000;

fn run(clocked: bool, openings: Vec<Opening>) -> Run {
    let hands = Hands::new();
    let attempts = Arc::<Mutex<Vec<Duration>>>::default();
    let plan = Plan {
        openings: openings.into(),
        hands: hands.clone(),
        attempts: Arc::clone(&attempts),
        clocked,
        alive: Arc::new(()),
    };
    let mut source = Lasting::open(Box::new(plan), hands.clone()).expect("it opens at first");
    let mut run = Run::default();
    let mut next = 0;
    while run.silences < ENDLESS {
        match source.next_frame() {
            Ok(Some(frame)) => {
                let place = next + frame.gap.fields();
                next = place + fields_of(frame.rows);
                let time = frame.device_time.map(|it| it.as_millis() as u64);
                run.frames.push((place, time));
            }
            Ok(None) => break,
            Err(error) => {
                assert!(error.is_silence(), "{error}");
                run.silences += 1;
                if run.said.last() != Some(&error.to_string()) {
                    run.said.push(error.to_string());
                }
            }
        }
        run.news.extend(std::iter::from_fn(|| source.news()));
    }
    run.attempts = attempts
        .lock()
        .unwrap_or_else(PoisonError::into_inner)
        .clone();
    run.passed = hands.passed();
    run
}

fn at_625(steps: &[Step]) -> Opening {
    Opening::Opens(Standard::Lines625, steps.to_vec())
}

use SourceErrorKind::{Busy, Changed, Denied, Gone, Missing, NoSignal, Other, Silent, Unsupported};
use Step::{Fault, Field, Frame as F, News as Said, Silence, Suspended};

#[test]
fn a_device_that_is_unplugged_comes_back_with_the_right_places_and_times() {
    // Frames at 0, 40, 80; gone at 120; back with a frame 400 ms after the last one.
    for clocked in [true, false] {
        let run = run(
            clocked,
            vec![
                at_625(&[F(0), F(40), F(40), Fault(Gone, 40)]),
                at_625(&[F(360), F(40)]),
            ],
        );
        let places: Vec<_> = run.frames.iter().map(|it| it.0).collect();
        assert_eq!(places, [0, 2, 4, 24, 26]);
        if clocked {
            let times: Vec<_> = run.frames.iter().map(|it| it.1).collect();
            assert_eq!(times, [0, 40, 80, 480, 520].map(Some));
        }
        assert!(run.said[0].contains("it broke"), "{:?}", run.said);
    }
}

#[test]
fn no_kind_of_failure_ends_the_stream() {
    for kind in [Gone, Other, Busy, Denied, Missing, Unsupported] {
        let run = run(
            true,
            vec![
                at_625(&[F(0), Fault(kind, 40)]),
                Opening::Fails(Missing),
                Opening::Fails(kind),
                at_625(&[F(40)]),
            ],
        );
        assert_eq!(run.frames.len(), 2, "{kind:?}");
        assert_eq!(run.attempts.len(), 4, "{kind:?}");
    }
}

#[test]
fn attempts_grow_further_apart_to_a_bound() {
    let mut openings = vec![at_625(&[F(0), Fault(Gone, 0)])];
    openings.extend((0..12).map(|_| Opening::Fails(Missing)));
    openings.push(at_625(&[F(0)]));
    let run = run(true, openings);
    let waits: Vec<_> = run.attempts[1..]
        .windows(2)
        .map(|pair| pair[1].saturating_sub(pair[0]).as_millis())
        .collect();
    assert_eq!(run.attempts[1], Duration::ZERO, "the first comes at once");
    assert_eq!(waits[..6], [250, 500, 1000, 2000, 4000, 5000]);
    assert!(waits[6..].iter().all(|&wait| wait == 5000), "{waits:?}");
}

#[test]
fn a_device_that_fails_right_after_opening_is_not_hammered() {
    let mut openings = vec![at_625(&[F(0), Fault(Other, 0)])];
    openings.extend((0..20).map(|_| at_625(&[Fault(Other, 0)])));
    openings.push(at_625(&[F(0), Fault(Other, 0)]));
    openings.push(at_625(&[F(0)]));
    let run = run(true, openings);
    assert_eq!(run.frames.len(), 3);
    assert!(run.passed > Duration::from_secs(60), "{:?}", run.passed);
    let last = &run.attempts[run.attempts.len() - 2..];
    assert_eq!(
        last[0], last[1],
        "after a frame the next attempt comes at once"
    );
}

#[test]
fn no_wait_is_longer_than_a_caller_expects() {
    let mut openings = vec![at_625(&[F(0), Fault(Gone, 0)])];
    openings.extend((0..6).map(|_| Opening::Fails(Missing)));
    openings.push(at_625(&[F(0)]));
    let run = run(true, openings);
    let each = run.passed / run.silences as u32;
    assert!(each <= ONE_WAIT, "{each:?}");
}

#[test]
fn a_silence_that_ends_by_itself_is_left_to_the_source() {
    let steps: Vec<_> = [F(0)]
        .into_iter()
        .chain([Silence(Silent); 9])
        .chain([F(40)])
        .collect();
    let run = run(true, vec![at_625(&steps)]);
    assert_eq!((run.attempts.len(), run.silences), (1, 9));
}

#[test]
fn a_source_that_stays_silent_is_opened_again() {
    let steps: Vec<_> = [F(0)].into_iter().chain([Silence(Silent); 11]).collect();
    let run = run(true, vec![at_625(&steps), at_625(&[F(20)])]);
    assert_eq!(run.attempts.len(), 2);
    // 5.5 s of silence and 20 ms; the last frame was at 0.
    let frames = &run.frames;
    assert_eq!(frames[1], (276, Some(5520)));
}

#[test]
fn a_source_without_a_signal_is_left_alone_however_long() {
    let steps: Vec<_> = [F(0)].into_iter().chain([Silence(NoSignal); 100]).collect();
    let run = run(true, vec![at_625(&steps)]);
    assert_eq!(run.attempts.len(), 1);
}

#[test]
fn a_signal_of_another_standard_goes_on_at_its_own_rate_and_is_told() {
    let run = run(
        true,
        vec![
            at_625(&[F(0), F(40), Fault(Changed, 0)]),
            Opening::Opens(Standard::Lines525, vec![F(1001), F(33)]),
        ],
    );
    // 1001 ms are 60 fields of 525 lines, from beginning to beginning.
    let places: Vec<_> = run.frames.iter().map(|it| it.0).collect();
    assert_eq!(places, [0, 2, 62, 64]);
    assert_eq!(run.news.len(), 1);
    assert_eq!(run.news[0].kind, NewsKind::Standard);
    assert!(
        run.news[0].text.contains("from 625 to 525"),
        "{:?}",
        run.news
    );
}

#[test]
fn single_fields_go_on_in_turn() {
    use Parity::{Bottom, Top};
    let run = run(
        true,
        vec![
            at_625(&[
                Field(0, Top),
                Field(20, Bottom),
                Field(20, Top),
                Fault(Other, 5),
            ]),
            at_625(&[Field(140, Top), Field(20, Bottom)]),
        ],
    );
    // The last field was a top one, at place 2; 145 ms later it is a top one again: 8 fields on, not 7.
    let places: Vec<_> = run.frames.iter().map(|it| it.0).collect();
    assert_eq!(places, [0, 1, 2, 10, 11]);
}

#[test]
fn a_suspended_machine_counts_what_the_tape_played_meanwhile() {
    let run = run(
        true,
        vec![at_625(&[F(0), F(40), Suspended(30_000), F(40), F(40)])],
    );
    assert_eq!(
        run.frames,
        [
            (0, Some(0)),
            (2, Some(40)),
            (1504, Some(30_080)),
            (1506, Some(30_120))
        ]
    );
    assert_eq!(run.news.len(), 1);
    assert!(run.news[0].text.contains("30.0 s"), "{:?}", run.news);
}

#[test]
fn a_device_lost_by_suspending_counts_both() {
    let run = run(
        true,
        vec![
            at_625(&[F(0), Suspended(10_000), Fault(Gone, 0)]),
            at_625(&[F(200)]),
        ],
    );
    assert_eq!(run.frames[1], (510, Some(10_200)));
}

#[test]
fn news_of_a_source_that_breaks_are_not_lost() {
    let run = run(
        true,
        vec![
            at_625(&[F(0), Said, Fault(Gone, 40)]),
            at_625(&[F(40), Said, F(40)]),
        ],
    );
    assert_eq!(run.news.len(), 2);
}

#[test]
fn the_first_opening_must_succeed() {
    let hands = Hands::new();
    let plan = Plan {
        openings: vec![Opening::Fails(Busy)].into(),
        hands: hands.clone(),
        attempts: Arc::default(),
        clocked: true,
        alive: Arc::new(()),
    };
    let error = Lasting::open(Box::new(plan), hands).err();
    assert_eq!(error.map(|it| it.kind()), Some(Busy));
}

#[test]
fn a_device_that_forgot_what_it_was_set_to_is_told_of_when_it_is_back() {
    use Step::Control;
    let run = run(
        true,
        vec![
            at_625(&[F(0), Control(140), F(40), Fault(Gone, 40)]),
            at_625(&[F(40)]),
        ],
    );
    let told: Vec<_> = run
        .news
        .iter()
        .map(|it| (it.kind, it.text.as_str()))
        .collect();
    let text = "Brightness was 140 before the device was opened again and is 128 now.";
    assert_eq!(told, [(NewsKind::Control, text)]);
}

#[test]
fn controls_are_set_while_the_device_is_there_and_known_while_it_is_away() {
    let hands = Hands::new();
    let plan = Plan {
        openings: VecDeque::from([at_625(&[F(0), Fault(Gone, 40)])]),
        hands: hands.clone(),
        attempts: Arc::default(),
        clocked: true,
        alive: Arc::new(()),
    };
    let mut source = Lasting::open(Box::new(plan), hands).expect("it opens at first");
    let setting = ControlSetting { id: 1, value: 9 };
    source.set_control(setting).expect("it is there");
    assert_eq!(source.controls(), [control(9)]);
    source.next_frame().expect("a frame");
    source.next_frame().expect_err("it is gone");
    let refused = source.set_control(setting).expect_err("it is away");
    assert_eq!(refused.kind(), SourceErrorKind::Away);
    assert_eq!(source.controls(), [control(9)]);
}
