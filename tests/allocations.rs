//! Nothing is allocated for a field once the buffers have gone round: the way from a frame to the dashboard's memory,
//! counted by the allocator itself.

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;

use trueline::alarms::{Alarms, Change, EventLog, PassClock};
use trueline::fields::{History, Splitter};
use trueline::limits::Limits;
use trueline::measures::Suite;
use trueline::measures::hands::Hands;
use trueline::measures::waveform::Waveform;
use trueline::record::{Live, Row, Statistics, live};
use trueline::sources::tape::{Pace, Tape};
use trueline::sources::{Frame, Source, StandardWish, Wishes};
use trueline::standard::Standard;
use trueline::timecode::{Counting, Timecode};
use trueline::units::CodeRange;

thread_local! {
    /// What this thread has asked the allocator for since counting began; `None` while nobody counts.
    static REQUESTS: Cell<Option<u64>> = const { Cell::new(None) };
}

/// The system's allocator, and a count of what is asked of it.
struct Counted;

#[global_allocator]
static ALLOCATOR: Counted = Counted;

fn note_request() {
    // A thread that is ending has no counter any more, and nobody counts what it asks for.
    let _ = REQUESTS.try_with(|requests| requests.set(requests.get().map(|so_far| so_far + 1)));
}

#[expect(unsafe_code, reason = "an allocator cannot be written without")]
// SAFETY: every call goes to the system's allocator as it came; the counter neither allocates nor unwinds.
unsafe impl GlobalAlloc for Counted {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        note_request();
        // SAFETY: the caller's promise for `layout` is the one the system's allocator asks for.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, block: *mut u8, layout: Layout) {
        // SAFETY: `block` came from the system's allocator with this `layout`: all blocks do.
        unsafe { System.dealloc(block, layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        note_request();
        // SAFETY: as for `alloc`.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn realloc(&self, block: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        note_request();
        // SAFETY: as for `dealloc`; the promise for `size` is the caller's.
        unsafe { System.realloc(block, layout, size) }
    }
}

/// What `work` asks the allocator for.
fn requests(work: impl FnOnce()) -> u64 {
    REQUESTS.set(Some(0));
    work();
    REQUESTS.take().unwrap_or_default()
}

/// Everything between a frame and the dashboard.
struct Chain {
    splitter: Splitter,
    history: History,
    suite: Suite,
    alarms: Alarms,
    statistics: Statistics,
    log: EventLog,
    live: Live,
    waveform: Waveform,
    changes: Vec<Change>,
    rows: Vec<Row>,
    events: u64,
}

impl Chain {
    fn new(source: &dyn Source, standard: Standard) -> Self {
        let limits = Limits::default();
        let clock = PassClock {
            start: Timecode::zero(Counting::usual(standard)),
        };
        let head = live::Head {
            source: source.description().name.clone(),
            tape: None,
            recorded_to: None,
            standard: Some(standard),
            sample_rate: source.format().sample_rate,
            range: CodeRange::Studio,
            clock,
        };
        Self {
            splitter: Splitter::new(),
            history: History::default(),
            suite: Suite::new(),
            alarms: Alarms::new(&limits, clock),
            statistics: Statistics::new(&limits.numbers),
            log: EventLog::new(),
            live: Live::new(head),
            waveform: Waveform::new(),
            changes: Vec::new(),
            rows: Vec::with_capacity(2 * (WARM_UP + COUNTED) as usize),
            events: 0,
        }
    }

    fn take(&mut self, frame: &Frame) {
        let Self {
            splitter,
            history,
            suite,
            alarms,
            log,
            live,
            waveform,
            changes,
            rows,
            events,
            ..
        } = self;
        splitter.split(frame, history, |history| {
            let around = history.neighbourhood().expect("a field is the newest");
            let readings = suite.measure(&around);
            rows.push(Row::from(&readings));
            alarms.observe(&readings, changes);
            waveform.trace(around.field);
            live.observe(&readings, changes);
            live.exchange_waveform(waveform);
            for change in changes.iter() {
                log.apply(change);
            }
            *events += changes.len() as u64;
            changes.clear();
        });
    }

    /// Sums up all fields so far.
    fn sum_up(&mut self) {
        for row in &self.rows {
            self.statistics.observe(row, self.alarms.programme());
        }
    }
}

/// Frames until every buffer has been used, the programme has begun, and what it begins with has been noted.
const WARM_UP: u32 = 250;

/// Frames that are counted.
const COUNTED: u32 = 150;

fn check(scene: &str, standard: Standard, hands: Hands) {
    let wishes = Wishes {
        standard: Some(StandardWish::Lines(standard)),
        ..Wishes::default()
    };
    let frames = Some(u64::from(WARM_UP + COUNTED));
    let mut tape = Tape::open(scene, &wishes, Pace::Free { frames }).expect("the scene exists");
    let mut chain = Chain::new(&tape, standard);
    chain.suite.set_hands(hands);
    let mut next = || {
        let frame = tape.next_frame().expect("a simulated tape does not fail");
        frame.expect("as many frames as were asked for")
    };
    for _ in 0..WARM_UP {
        chain.take(&next());
    }
    let (mut quiet, mut asked) = (0, Vec::new());
    for index in 0..COUNTED {
        let frame = next();
        let events = chain.events;
        let requests = requests(|| chain.take(&frame));
        // An event has its own words, made once.
        if chain.events == events {
            quiet += 1;
            asked.extend((requests > 0).then_some((index, requests)));
        }
    }
    assert_eq!(chain.rows.len(), 2 * (WARM_UP + COUNTED) as usize);
    assert!(
        quiet > COUNTED / 2,
        "{scene}: only {quiet} frames without an event"
    );
    assert_eq!(asked, [], "{scene}: (frame, requests)");
    // Statistics keep a sketch a quantity, which grows when a value lies beyond those seen: the same values cost nothing.
    chain.sum_up();
    assert_eq!(requests(|| chain.sum_up()), 0, "{scene}: statistics");
}

#[test]
fn nothing_is_allocated_for_a_field_of_525_lines() {
    check("clean", Standard::Lines525, Hands::One);
}

#[test]
fn nothing_is_allocated_for_a_field_of_625_lines() {
    check("still", Standard::Lines625, Hands::One);
}

#[test]
fn nothing_is_allocated_for_a_field_of_a_bare_player() {
    check("bare-player", Standard::Lines625, Hands::One);
}

#[test]
fn nothing_is_allocated_for_a_field_that_two_cores_share() {
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(2)
        .build()
        .expect("a test may start threads");
    pool.install(|| check("clean", Standard::Lines625, Hands::Pool));
}

#[test]
fn the_counter_counts() {
    assert_eq!(requests(|| drop(std::hint::black_box(Box::new(1_u64)))), 1);
}
