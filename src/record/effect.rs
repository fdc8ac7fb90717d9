//! What a control does to the codes of the picture, read from the picture before and after.
//!
//! In: how often each code occurs ([`Spread`]), before a change and after it. Out: the line that makes the one of the other
//! ([`Mapping`]), and what a step of a control adds to a code ([`Effect`]). A change of brightness or contrast moves all codes
//! along a line; where no line does it, the picture has become another, and nothing is said.
//!
//! Levels at the ends of the scale are cut off and lie on no line, so the line is the median one through all pairs of levels
//! (Theil and Sen), which three of ten may miss.
//!
//! Does not know: which control it was, IRE.

/// Shares of the area at which levels are compared. Most are the middles of eighths, so that none stands at the edge between
/// two of eight equal bars.
const SHARES: [f64; LEVELS] = [
    0.01, 0.0625, 0.1875, 0.3125, 0.4375, 0.5625, 0.6875, 0.8125, 0.9375, 0.99,
];
const LEVELS: usize = 10;

/// Levels that must lie on the line.
const ON_THE_LINE: usize = 7;

/// How far those may lie off it, rms in codes: the picture is the same then. Half the steps that codes come in, and some noise.
const ALIKE_CODES: f64 = 1.5;

/// Levels nearer than this tell nothing of a slope.
const APART_CODES: f64 = 8.0;

/// Slopes that a control may make from one look to the next.
const SLOPES: (f64, f64) = (0.5, 2.0);

/// How often each code occurs over some fields.
#[derive(Clone, Debug)]
pub struct Spread {
    counts: [u64; 256],
    fields: u32,
}

impl Default for Spread {
    fn default() -> Self {
        Self {
            counts: [0; 256],
            fields: 0,
        }
    }
}

impl Spread {
    /// Takes a field in; one without a picture is none.
    pub fn add(&mut self, ladder: &[u32; 256]) {
        if ladder.iter().all(|&count| count == 0) {
            return;
        }
        for (sum, &count) in self.counts.iter_mut().zip(ladder) {
            *sum += u64::from(count);
        }
        self.fields += 1;
    }

    /// Fields taken in.
    #[must_use]
    pub fn fields(&self) -> u32 {
        self.fields
    }

    /// Forgets all.
    pub fn clear(&mut self) {
        *self = Self::default();
    }

    /// The codes under which [`SHARES`] of the area lie, between codes too; `None` without a picture.
    fn levels(&self) -> Option<[f64; LEVELS]> {
        let total: u64 = self.counts.iter().sum();
        (total > 0).then(|| SHARES.map(|share| self.level(share * total as f64)))
    }

    fn level(&self, wanted: f64) -> f64 {
        let mut below = 0.0;
        for (code, &count) in self.counts.iter().enumerate() {
            let count = count as f64;
            if count > 0.0 && below + count >= wanted {
                return code as f64 - 0.5 + (wanted - below) / count;
            }
            below += count;
        }
        255.0
    }
}

/// How codes moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mapping {
    /// What code 0 became.
    pub offset: f64,
    /// What a code more became.
    pub slope: f64,
}

impl Mapping {
    /// The line from one picture to another; `None` where no line makes the one of the other.
    #[must_use]
    pub fn between(then: &Spread, now: &Spread) -> Option<Self> {
        let (then, now) = (then.levels()?, now.levels()?);
        let slope = slope(&then, &now)?;
        let offset = median(then.iter().zip(&now).map(|(a, b)| b - slope * a))?;
        let mut off: Vec<f64> = then
            .iter()
            .zip(&now)
            .map(|(a, b)| (b - slope * a - offset).abs())
            .collect();
        off.sort_unstable_by(f64::total_cmp);
        let near = &off[..ON_THE_LINE];
        let rms = (near.iter().map(|it| it * it).sum::<f64>() / near.len() as f64).sqrt();
        (rms <= ALIKE_CODES).then_some(Self { offset, slope })
    }

    /// What became of a code, less what it was.
    #[must_use]
    pub fn shift(self, code: f64) -> f64 {
        self.offset + (self.slope - 1.0) * code
    }
}

/// The median slope of all pairs that lie apart; 1 where none do, as in a flat picture.
fn slope(then: &[f64; LEVELS], now: &[f64; LEVELS]) -> Option<f64> {
    let pairs =
        (0..LEVELS).flat_map(|first| (first + 1..LEVELS).map(move |second| (first, second)));
    let slopes = pairs.filter_map(|(first, second)| {
        let apart = then[second] - then[first];
        (apart >= APART_CODES).then(|| (now[second] - now[first]) / apart)
    });
    let slope = median(slopes).unwrap_or(1.0);
    (SLOPES.0..=SLOPES.1).contains(&slope).then_some(slope)
}

fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    let count = values.len();
    let upper = *values.get(count / 2)?;
    Some(if count.is_multiple_of(2) {
        f64::midpoint(values[count / 2 - 1], upper)
    } else {
        upper
    })
}

/// What one unit of a control's value adds to a code.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Effect {
    offset: f64,
    slope: f64,
}

impl Effect {
    /// Of a change of the control by so many units; `None` of no change.
    #[must_use]
    pub fn of(mapping: Mapping, units: i64) -> Option<Self> {
        let units = units as f64;
        (units != 0.0).then(|| Self {
            offset: mapping.offset / units,
            slope: (mapping.slope - 1.0) / units,
        })
    }

    /// What one unit adds to a code.
    #[must_use]
    pub fn at(self, code: f64) -> f64 {
        self.offset + self.slope * code
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A picture of some hundred levels, each as often as the other, made another one by `code`.
    fn spread(code: impl Fn(f64) -> f64) -> Spread {
        let mut ladder = [0; 256];
        for level in 0..1_800 {
            let was = 20.0 + f64::from(level) / 10.0;
            ladder[code(was).round().clamp(0.0, 255.0) as usize] += 1;
        }
        let mut spread = Spread::default();
        spread.add(&ladder);
        spread
    }

    fn check(code: impl Fn(f64) -> f64, offset: f64, slope: f64) {
        let found = Mapping::between(&spread(|was| was), &spread(code)).expect("a line");
        assert!((found.slope - slope).abs() < 0.01, "{found:?}");
        assert!((found.offset - offset).abs() < 0.7, "{found:?}");
    }

    #[test]
    fn brightness_and_contrast_are_read_from_the_levels() {
        check(|was| was, 0.0, 1.0);
        check(|was| was + 4.0, 4.0, 1.0);
        check(|was| 16.0 + (was - 16.0) * 1.05, -0.8, 1.05);
    }

    #[test]
    fn levels_cut_off_at_the_ends_do_not_bend_the_line() {
        check(|was| (was - 25.0).max(0.0), -25.0, 1.0);
        check(|was| (was + 30.0).min(220.0), 30.0, 1.0);
    }

    #[test]
    fn another_picture_lies_on_no_line() {
        let other = spread(|was| if was < 150.0 { 30.0 } else { was });
        assert_eq!(Mapping::between(&spread(|was| was), &other), None);
        assert_eq!(Mapping::between(&Spread::default(), &other), None);
    }

    #[test]
    fn a_flat_picture_shows_what_was_added_to_it() {
        let flat = |code: usize| {
            let mut ladder = [0; 256];
            ladder[code] = 100;
            let mut spread = Spread::default();
            spread.add(&ladder);
            spread
        };
        let found = Mapping::between(&flat(60), &flat(66)).expect("a line");
        assert_eq!(found.slope, 1.0);
        assert!((found.shift(60.0) - 6.0).abs() < 1e-9, "{found:?}");
    }

    #[test]
    fn an_effect_is_that_of_one_unit() {
        let found = Mapping {
            offset: -3.2,
            slope: 1.2,
        };
        let effect = Effect::of(found, 4).expect("it was changed");
        assert!((effect.at(16.0) - 0.0).abs() < 1e-9, "{effect:?}");
        assert!((effect.at(116.0) - 5.0).abs() < 1e-9, "{effect:?}");
        assert_eq!(Effect::of(found, 0), None);
    }
}
