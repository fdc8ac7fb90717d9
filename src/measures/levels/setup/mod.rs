//! Where the tape's black lands, and so what became of its set-up: removed as it should be, still there, or removed twice.
//!
//! In: field after field of levels, the blanking at the sides, and the scenes as they change. Out: a [`Reading`]: one of
//! three cases with its probability, or that the picture cannot tell yet; and by how much black should be moved.
//!
//! Codes alone decide nothing: a fogged black at 7.5 IRE with the set-up removed has the very codes of a true black with the
//! set-up left in. What decides is structure, and without any the answer is `unknown` and no case is given more than
//! [`MOST_WITHOUT`]:
//! * blanking that belongs to the tape, seen against black (`blanking`): it moves with the set-up, the picture's fog does not;
//! * dead black: picture that stands still at the lowest code although the tape is noisy (`looks`);
//! * many different scenes that end at one level, or at none (`looks`).
//!
//! Black that box or device put there is none of the tape's: a border of the chain, masks and inserted pictures are left out.
//! `belief` weighs what is left. It judges the last five minutes; evidence from before the blanking moved is dropped.
//!
//! A set-up that was never there (625 lines, Japan) fits the first case as well: black at its place is all that is asked.
//!
//! Does not know: scenes by name, limits, words.

use crate::fields::{Field, FieldRaster};
use crate::measures::line_timing::Border;
use crate::standard::Standard;
use crate::units::{CodeRange, Estimate, Ire, LumaCode, Ratio, ire_from_code, ire_from_code_step};

use super::blocks::Blocks;
use belief::{Belief, Evidence};
use blanking::BlankingWatch;
use looks::{Looks, Records};

mod belief;
mod blanking;
mod looks;

/// Probability that no case is given without structural evidence, and from which on a case is stated.
pub const MOST_WITHOUT: f64 = 0.9;

/// Seconds of picture before anything is said: one dark scene is not the tape.
const LEAST_SECONDS: f64 = 20.0;

/// Fields from one weighing to the next.
const STEP: u32 = 50;

/// Which case holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Case {
    /// Black is where it should be.
    Correct,
    /// Black is too high: set-up still there, or brightness up.
    Raised,
    /// Black is too low and cut off: set-up removed twice, or from a signal that has none.
    Crushed,
    /// The picture cannot tell yet.
    Unknown,
}

impl Case {
    /// Every word, in the order of the cases.
    pub const WORDS: &[&str] = &["correct", "raised", "crushed", "unknown"];

    /// As printed.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::WORDS[self as usize]
    }
}

/// What speaks against the range of codes that was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RangeDoubt {
    /// Told 16-235, but the picture reaches to 0 and to 255.
    LooksFull,
    /// Told 0-255, but the picture keeps within 16 and 235.
    LooksStudio,
}

impl RangeDoubt {
    /// Every word: that nothing speaks against the range, and the doubts in their order.
    pub const WORDS: &[&str] = &["none", "looks_full", "looks_studio"];

    /// As stored.
    #[must_use]
    pub fn word(doubt: Option<Self>) -> &'static str {
        match doubt {
            None => "none",
            Some(Self::LooksFull) => "looks_full",
            Some(Self::LooksStudio) => "looks_studio",
        }
    }
}

/// What is said of the set-up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Which case.
    pub case: Case,
    /// The likeliest of the three, stated or not.
    pub likeliest: Case,
    /// Its probability, also where it is not enough to state it.
    pub probability: Ratio,
    /// By how much black should be moved, + = up; `None` where no case is stated.
    pub change: Option<Estimate<Ire>>,
    /// The blanking of the tape, where it is in view.
    pub blanking: Option<Ire>,
    /// Different scenes it rests on.
    pub looks: u32,
    /// Those of them that end at the same lowest level.
    pub dark_looks: u32,
    /// Whether the set-up is a matter of this signal: 525 lines have one, except in Japan.
    pub has_setup: bool,
    /// What speaks against the range that was told.
    pub range_doubt: Option<RangeDoubt>,
    /// Whether enough was seen to say that nothing does.
    pub range_judged: bool,
}

/// One field, as the adviser looks at it.
#[derive(Clone, Copy)]
pub(super) struct Look<'a> {
    pub(super) field: &'a Field,
    pub(super) blocks: &'a Blocks,
    /// Black of the picture, in codes.
    pub(super) black: f64,
    /// Share of the area that stands at the lowest code delivered, all of it: 0 to 1.
    pub(super) dead: f64,
    /// Ends of the scale that the chain delivers, in codes.
    pub(super) floor: f64,
    pub(super) ceiling: f64,
    /// Codes under and over which all but a two-thousandth of the low-passed area lies.
    pub(super) outermost: [f64; 2],
    /// Blanking columns at the left and the right, where they were seen beside light.
    pub(super) blanking: [usize; 2],
    pub(super) border: Border,
}

/// The adviser.
#[derive(Debug, Default)]
pub(super) struct Setup {
    looks: Looks,
    blanking: BlankingWatch,
    until_next: u32,
    seconds: f64,
    said: Option<Reading>,
    /// Fields whose codes reached the very ends, and whether any picture lay outside 16-235.
    ends: EndsSeen,
}

/// The lowest code the chain delivers, as far as picture and blanking show it. Chains end at 0, 1 or 16: a picture that ends
/// elsewhere has not reached the end.
fn end_of_scale(picture: f64, blanking: Option<f64>) -> f64 {
    let reaches_an_end = picture <= 2.0 || (15.0..=17.0).contains(&picture);
    let end = if reaches_an_end { picture } else { 1.0 };
    blanking.map_or(end, |blanking| end.min(blanking))
}

/// Codes between which a low-passed studio picture keeps: noise and undershoot take most of the room under 16, and light may go on to the
/// last code that carries video (BT.601-5 Table 2).
const STUDIO: (f64, f64) = (3.0, 254.0);

/// Which codes occurred, for the range.
#[derive(Clone, Copy, Debug, Default)]
struct EndsSeen {
    fields: u32,
    lowest: f64,
    highest: f64,
    /// Fields of which more than noise lies where a studio picture has nothing.
    beyond_studio: u32,
}

impl Setup {
    /// Forgets everything: the source changed.
    pub(super) fn reset(&mut self) {
        *self = Self::default();
    }

    /// Takes in a field with a picture.
    pub(super) fn follow(&mut self, look: Look<'_>) -> Option<Reading> {
        let period = look
            .field
            .raster
            .standard
            .unwrap_or(Standard::Lines525)
            .field_period()
            .0;
        self.seconds += period * (1 + look.field.gap.fields().min(1_000)) as f64;
        self.looks.follow(&look, self.seconds);
        if self.blanking.follow(&look) {
            // The blanking moved: a setting was changed, and what was seen before says nothing of it.
            self.looks.reset();
            self.seconds = 0.0;
        }
        self.see_ends(&look);
        if self.until_next > 0 {
            self.until_next -= 1;
            return self.said;
        }
        self.until_next = STEP;
        self.said = Some(self.weigh(&look.field.raster, &look));
        self.said
    }

    fn see_ends(&mut self, look: &Look<'_>) {
        let ends = &mut self.ends;
        if ends.fields == 0 {
            (ends.lowest, ends.highest) = (255.0, 0.0);
        }
        ends.fields = ends.fields.saturating_add(1);
        ends.lowest = ends.lowest.min(look.floor);
        ends.highest = ends.highest.max(look.ceiling);
        let [low, high] = look.outermost;
        ends.beyond_studio += u32::from(low < STUDIO.0 || high > STUDIO.1);
    }

    fn weigh(&self, raster: &FieldRaster, look: &Look<'_>) -> Reading {
        let range = raster.range;
        let ire = |code: f64| ire_from_code(LumaCode(code), range).0;
        let step = |code: f64| ire_from_code_step(LumaCode(code), range).0;
        let has_setup = raster.standard == Some(Standard::Lines525);
        let blanking = self.blanking.level();
        let looks = self.looks.records(self.seconds);
        let belief = Belief::weigh(&Evidence {
            looks: &looks,
            floor: ire(end_of_scale(look.floor, blanking.map(|(code, _)| code))),
            blanking: blanking.map(|(code, sigma)| (ire(code), step(sigma).max(0.3))),
            noise: looks.noise().map(step),
            has_setup,
            to_ire: &ire,
        });
        let range_doubt = self.range_doubt(range, &looks, blanking.map(|(code, _)| code));
        let enough = self.seconds >= LEAST_SECONDS && range_doubt.is_none();
        let stated = enough && belief.structural && belief.probability >= MOST_WITHOUT;
        let probability = if enough && belief.structural {
            belief.probability
        } else {
            belief.probability.min(MOST_WITHOUT - 0.01)
        };
        Reading {
            case: if stated { belief.case } else { Case::Unknown },
            likeliest: belief.case,
            probability: Ratio(probability),
            change: stated.then(|| {
                Estimate::new(Ire(-belief.black), Ire(belief.sigma), looks.count() as u32)
            }),
            blanking: blanking.map(|(code, _)| Ire(ire(code))),
            looks: looks.count() as u32,
            dark_looks: belief.dark_looks,
            has_setup,
            range_doubt,
            range_judged: range_doubt.is_some() || self.seconds >= LEAST_SECONDS,
        }
    }

    /// Whether the codes that occur fit the range that was told.
    fn range_doubt(
        &self,
        range: CodeRange,
        looks: &Records,
        blanking: Option<f64>,
    ) -> Option<RangeDoubt> {
        // Converters to 16-235 keep 0 and 255 for sync (BT.601-5 Table 2): 1 to 254 carry video.
        const RESERVED: (f64, f64) = (0.0, 255.0);
        // Fields in which a streak or a bad splice may reach further.
        const STREAKS: f64 = 0.05;
        // Where the darkest of some scenes ends in a studio picture: at 16, give or take noise. Set-up in full range is at 19.
        const BLACK: std::ops::Range<f64> = 13.0..18.0;
        const SCENES: usize = 3;
        let seen = self.ends;
        match range {
            CodeRange::Studio => (seen.lowest <= RESERVED.0 && seen.highest >= RESERVED.1)
                .then_some(RangeDoubt::LooksFull),
            CodeRange::Full => {
                let darkest = looks.iter().map(|look| look.black).fold(255.0, f64::min);
                let within = f64::from(seen.beyond_studio) <= STREAKS * f64::from(seen.fields);
                let is_black = looks.count() >= SCENES && BLACK.contains(&darkest);
                // Blanking is the foot of the scale: 0 where all codes are used.
                let is_foot = blanking.is_some_and(|code| BLACK.contains(&code));
                (self.seconds >= LEAST_SECONDS && (is_foot || within && is_black))
                    .then_some(RangeDoubt::LooksStudio)
            }
        }
    }
}
