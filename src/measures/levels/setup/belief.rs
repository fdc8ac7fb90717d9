//! How likely each case is, by Bayes' rule over what was seen.
//!
//! A case says where the tape's black and blanking land. Not every scene shows black: it does with a probability that is the
//! tape's own and unknown, else its lowest level lies above black by an amount that falls off exponentially. A whole tape may
//! be fogged, so that nothing on it reaches black. All of that is averaged over.
//!
//! The priors are judgement, no source: most chains are right; a set-up left in is the usual fault; removing it twice takes two
//! devices that both do; a brightness control is anywhere. The bench `setup` holds the stated probabilities against spans drawn
//! otherwise.
//!
//! Does not know: fields, codes, words.

use crate::measures::dsp::normal::{density, integral};

use super::Case;
use super::looks::{MANY, Record, Records};

/// Set-up, and what is left of the scale above it, in IRE of the tape (SMPTE 170M Table 1).
const SETUP: f64 = 7.5;
const ABOVE_SETUP: f64 = 92.5;

/// Where blanking lands when the set-up is removed, in IRE of the digital scale (standards row 3.20: code -1.8).
const REMOVED: f64 = -SETUP * 100.0 / ABOVE_SETUP;

/// Mean distance of a scene's lowest level from black, where it shows none, in IRE.
const ABOVE_BLACK: f64 = 12.0;

/// How well a scene's black stands for the tape's, in IRE: black of cameras differs, and percentiles lean on noise.
const BLACK_SIGMA: f64 = 0.9;

/// Sigma of a level that is cut off: all of it stands at one code.
const CUT_SIGMA: f64 = 0.35;

/// Share of scenes, and of blankings, that fit nothing that is thought of here; spread evenly over 100 IRE.
const ODD: f64 = 0.002;

/// Probability that a scene shows black, and how likely each is.
const SHOWING: [(f64, f64); 4] = [(0.05, 0.15), (0.3, 0.25), (0.6, 0.3), (0.9, 0.3)];

/// Fog over a whole tape in IRE, and how likely each is. It differs from scene to scene by [`FOG_SPREAD`] of itself, as stray
/// light does with the scene; what is the same in all of them is no fog.
const FOG_SPREAD: f64 = 0.35;
const FOG: [(f64, f64); 8] = [
    (0.0, 0.80),
    (1.5, 0.08),
    (3.0, 0.04),
    (4.5, 0.02),
    (6.0, 0.015),
    (7.5, 0.015),
    (9.5, 0.01),
    (12.0, 0.02),
];

/// Noise of raw samples, in IRE, from which on black that stands still is dead: 0.6 code.
const LIVE_NOISE: f64 = 0.27;

/// Black this little over blanking, in IRE, has no set-up added to it.
const RIGHT_ABOVE: f64 = 4.0;

/// Levels within this of the lowest, in IRE, are the same floor.
const SAME_FLOOR: f64 = 1.2;

/// Most models there are: six by the set-up, three a step of brightness.
const MOST_MODELS: usize = 6 + 3 * 8;

/// Where a case puts things, in IRE of the digital scale.
#[derive(Clone, Copy, Debug)]
struct Model {
    case: Case,
    black: f64,
    /// Scale of what lies above black.
    gain: f64,
    blanking: f64,
    prior: f64,
}

/// Everything that is weighed.
pub(super) struct Evidence<'a> {
    pub(super) looks: &'a Records,
    /// Lowest level the chain delivers, in IRE.
    pub(super) floor: f64,
    /// The tape's blanking and its spread, in IRE.
    pub(super) blanking: Option<(f64, f64)>,
    /// Noise of raw samples, in IRE.
    pub(super) noise: Option<f64>,
    pub(super) has_setup: bool,
    /// Codes to IRE.
    pub(super) to_ire: &'a dyn Fn(f64) -> f64,
}

/// What it comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Belief {
    /// The likeliest of the three cases.
    pub(super) case: Case,
    pub(super) probability: f64,
    /// Where black lands, in IRE, and its standard error.
    pub(super) black: f64,
    pub(super) sigma: f64,
    /// Whether anything but levels speaks.
    pub(super) structural: bool,
    /// Scenes that end at the lowest level.
    pub(super) dark_looks: u32,
}

/// Places where black and blanking may be, most of them by the set-up, some by a brightness control.
fn models(has_setup: bool) -> impl Iterator<Item = Model> {
    // How likely a signal of 525 lines carries a set-up, Japan's being rare; one of 625 lines never does.
    let with = if has_setup { 0.93 } else { 0.0 };
    let without = 1.0 - with;
    let model = |case, black, gain, blanking, prior| Model {
        case,
        black,
        gain,
        blanking,
        prior,
    };
    let kept_gain = ABOVE_SETUP / 100.0;
    let by_setup = [
        model(Case::Correct, 0.0, 1.0, REMOVED, 0.60 * with),
        model(Case::Correct, 0.0, 1.0, 0.0, 0.60 * without),
        model(Case::Raised, SETUP, kept_gain, 0.0, 0.20 * with),
        // A box that adds a set-up to a signal without.
        model(Case::Raised, SETUP, kept_gain, 0.0, 0.10 * without),
        model(
            Case::Crushed,
            REMOVED,
            1.0 / kept_gain,
            2.0 * REMOVED,
            0.10 * with,
        ),
        model(
            Case::Crushed,
            REMOVED,
            1.0 / kept_gain,
            REMOVED,
            0.12 * without,
        ),
    ];
    let by_brightness = [-9.0, -6.0, -4.0, 4.0, 6.0, 8.0, 11.0, 15.0]
        .into_iter()
        .flat_map(move |moved: f64| {
            let case = if moved > 0.0 {
                Case::Raised
            } else {
                Case::Crushed
            };
            [
                model(case, moved, 1.0, moved, 0.012 * without),
                // A control behind the decoder that blanks.
                model(case, moved, 1.0, 0.0, 0.006 * without),
                model(case, moved, 1.0, REMOVED + moved, 0.012 * with),
            ]
        });
    by_setup
        .into_iter()
        .chain(by_brightness)
        .filter(|model| model.prior > 0.0)
}

impl Belief {
    /// Weighs the evidence.
    pub(super) fn weigh(evidence: &Evidence<'_>) -> Self {
        let mut logs = [0.0_f64; MOST_MODELS];
        let mut same = (f64::NAN, 0.0, [0.0_f64; FOG.len()]);
        for (model, log) in models(evidence.has_setup).zip(&mut logs) {
            if (same.0, same.1) != (model.black, model.gain) {
                let looks = FOG.map(|(fog, likely)| {
                    let lowest = (model.black + model.gain * fog, FOG_SPREAD * fog);
                    looks_likelihood(evidence, lowest) + likely.ln()
                });
                same = (model.black, model.gain, looks);
            }
            *log = model.prior.ln() + blanking_likelihood(evidence, &model).ln() + log_sum(same.2);
        }
        let weighed = || models(evidence.has_setup).zip(logs);
        let (likeliest, peak) = weighed().fold((None, f64::NEG_INFINITY), |most, (model, log)| {
            if log > most.1 {
                (Some(model), log)
            } else {
                most
            }
        });
        let mut sums = [0.0_f64; 3];
        for (model, log) in weighed() {
            sums[model.case as usize] += (log - peak).exp();
        }
        let total: f64 = sums.iter().sum();
        let at = (0..3).fold(
            0,
            |most, next| if sums[next] > sums[most] { next } else { most },
        );
        let (black, sigma, dark_looks) =
            refine(evidence, likeliest.map_or(0.0, |model| model.black));
        Self {
            case: [Case::Correct, Case::Raised, Case::Crushed][at],
            probability: sums[at] / total.max(f64::MIN_POSITIVE),
            black,
            sigma,
            structural: is_structural(evidence, dark_looks),
            dark_looks,
        }
    }
}

/// Logarithm of the sum of what has these logarithms.
fn log_sum<const N: usize>(logs: [f64; N]) -> f64 {
    let peak = logs.into_iter().fold(f64::NEG_INFINITY, f64::max);
    peak + logs
        .into_iter()
        .map(|log| (log - peak).exp())
        .sum::<f64>()
        .ln()
}

fn blanking_likelihood(evidence: &Evidence<'_>, model: &Model) -> f64 {
    let Some((seen, spread)) = evidence.blanking else {
        return 1.0;
    };
    let sigma = spread.hypot(1.0);
    let at = |level: f64| density((seen - level.max(evidence.floor)) / sigma) / sigma;
    // One in twelve decoders blanks the sides itself and gives it a wobble that looks like the tape's.
    0.92 * at(model.blanking) + 0.08 * at(0.0) + ODD / 100.0
}

/// Logarithm of the likelihood of all scenes when the tape's lowest level lies at `lowest`, with the spread of its fog.
fn looks_likelihood(evidence: &Evidence<'_>, lowest: (f64, f64)) -> f64 {
    let likelihood = |showing: f64| -> f64 {
        evidence
            .looks
            .iter()
            .map(|look| look_likelihood(evidence, look, lowest, showing).ln())
            .sum()
    };
    log_sum(SHOWING.map(|(showing, likely)| likelihood(showing) + likely.ln()))
}

fn look_likelihood(
    evidence: &Evidence<'_>,
    look: &Record,
    (lowest, fog): (f64, f64),
    showing: f64,
) -> f64 {
    let level = (evidence.to_ire)(look.black);
    let floor = evidence.floor;
    // Noise takes the lowest half per cent down: 2.6 of the 0.26 sigma that the filter leaves, less where black is small.
    let noise = 0.45 * evidence.noise.unwrap_or(0.0);
    let cut = lowest < floor + noise;
    let shown = if cut {
        density((level - floor) / CUT_SIGMA) / CUT_SIGMA
    } else {
        let sigma = BLACK_SIGMA.hypot(noise).hypot(fog);
        density((level - lowest + noise) / sigma) / sigma
    };
    let beyond = (floor - lowest).max(0.0);
    let drowned = 1.0 - (-beyond / ABOVE_BLACK).exp();
    let above = tail(level - lowest.max(floor)) * (1.0 - drowned)
        + drowned * density((level - floor) / CUT_SIGMA) / CUT_SIGMA;
    let of_level = showing * shown + (1.0 - showing) * above + ODD / 100.0;
    of_level * dead_likelihood(evidence, look, beyond, level - floor)
}

/// How likely black is as dead, or as alive, as it was seen, where it lies `beyond` under the floor.
fn dead_likelihood(evidence: &Evidence<'_>, look: &Record, beyond: f64, over_floor: f64) -> f64 {
    let Some(noise) = evidence.noise.filter(|noise| *noise >= LIVE_NOISE) else {
        return 1.0; // without noise, black at the lowest code stands still by right
    };
    let dead = if over_floor > 2.0 {
        0.005
    } else if beyond > 2.5 * noise {
        0.85
    } else {
        0.03
    };
    if look.dead { dead } else { 1.0 - dead }
}

/// Density of a level `above` black that falls off exponentially and is blurred by [`BLACK_SIGMA`].
fn tail(above: f64) -> f64 {
    let (sigma, mean) = (BLACK_SIGMA, ABOVE_BLACK);
    let power = sigma * sigma / (2.0 * mean * mean) - above / mean;
    power.exp() / mean * integral(above / sigma - sigma / mean)
}

/// Where the scenes near `black` say it is, its standard error, and how many end at the lowest level.
fn refine(evidence: &Evidence<'_>, black: f64) -> (f64, f64, u32) {
    let levels = || {
        evidence
            .looks
            .iter()
            .map(|look| (evidence.to_ire)(look.black))
    };
    let lowest = levels().fold(f64::INFINITY, f64::min);
    let dark = levels()
        .filter(|level| *level < lowest + SAME_FLOOR)
        .count() as u32;
    let near = || levels().filter(|level| (level - black).abs() < 2.5 * BLACK_SIGMA);
    let count = near().count() as f64;
    if count < 1.0 {
        // Cut off, or fogged: the model knows better than the scenes.
        return (black, 2.0, dark);
    }
    let mean = near().sum::<f64>() / count + 0.45 * evidence.noise.unwrap_or(0.0);
    (mean, BLACK_SIGMA / count.sqrt(), dark)
}

/// Whether anything but levels speaks: blanking of the tape, dead black, or many scenes with one floor.
fn is_structural(evidence: &Evidence<'_>, dark_looks: u32) -> bool {
    let scenes = evidence.looks.count();
    let lowest = evidence
        .looks
        .iter()
        .map(|look| (evidence.to_ire)(look.black))
        .fold(f64::INFINITY, f64::min);
    let blanking = evidence.blanking.is_some_and(|(level, _)| {
        // Where there is a set-up, blanking moves with it. Where there is none, blanking is where black belongs, but black well
        // over it is what a picture without black looks like.
        scenes > 0 && (evidence.has_setup || lowest - level < RIGHT_ABOVE)
    });
    let noisy = evidence.noise.is_some_and(|noise| noise >= LIVE_NOISE);
    let dead = noisy && evidence.looks.iter().filter(|look| look.dead).count() >= 2;
    let many = scenes >= MANY && dark_looks as usize * 2 >= MANY;
    blanking || dead || many
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ire(code: f64) -> f64 {
        (code - 16.0) / 2.19
    }

    /// Scenes as codes, the lowest code delivered, blanking as a code.
    fn weigh(scenes: &[(f64, bool)], floor: f64, blanking: Option<f64>, has_setup: bool) -> Belief {
        Belief::weigh(&Evidence {
            looks: &Records::of(scenes, Some(1.5)),
            floor: ire(floor),
            blanking: blanking.map(|code| (ire(code), 0.4)),
            noise: Some(0.7),
            has_setup,
            to_ire: &ire,
        })
    }

    fn scenes(codes: &[f64]) -> Vec<(f64, bool)> {
        codes.iter().map(|&code| (code, false)).collect()
    }

    #[test]
    fn the_same_codes_are_told_apart_by_blanking_alone() {
        // Black at code 32.4: set-up left in if blanking is at 16, fog over a right black if it is at the lowest code.
        let codes = scenes(&[32.0, 33.0, 32.4]);
        let kept = weigh(&codes, 1.0, Some(16.0), true);
        assert_eq!(kept.case, Case::Raised);
        assert!(kept.structural && kept.probability > 0.9, "{kept:?}");
        assert!((kept.black - 7.5).abs() < 0.8, "{kept:?}");
        let fogged = weigh(&codes, 1.0, Some(1.0), true);
        assert_eq!(fogged.case, Case::Correct);
        assert!(fogged.structural && fogged.probability > 0.9, "{fogged:?}");
    }

    #[test]
    fn one_scene_without_blanking_is_no_evidence() {
        for code in [16.0, 24.0, 32.4, 60.0] {
            let belief = weigh(&scenes(&[code]), 1.0, None, true);
            assert!(!belief.structural, "{code}: {belief:?}");
        }
    }

    #[test]
    fn many_scenes_with_one_floor_decide() {
        let floor_at = |black: f64| {
            let codes: Vec<f64> = (0..10)
                .map(|nth| {
                    if nth % 5 == 0 {
                        black + 20.0
                    } else {
                        black + f64::from(nth % 3) * 0.8
                    }
                })
                .collect();
            weigh(&scenes(&codes), 1.0, None, true)
        };
        for (code, case) in [(16.0, Case::Correct), (32.0, Case::Raised)] {
            let belief = floor_at(code);
            assert_eq!(belief.case, case, "{belief:?}");
            assert!(belief.structural && belief.probability > 0.9, "{belief:?}");
        }
    }

    #[test]
    fn dead_black_is_crushed_wherever_the_scale_ends() {
        for floor in [1.0, 16.0] {
            let codes = [
                (floor, true),
                (floor, true),
                (floor + 30.0, false),
                (floor, true),
            ];
            let belief = weigh(&codes, floor, None, true);
            assert_eq!(belief.case, Case::Crushed, "{belief:?}");
            assert!(belief.structural && belief.probability > 0.9, "{belief:?}");
        }
    }

    #[test]
    fn black_at_the_end_of_a_studio_scale_that_is_alive_is_right() {
        let codes: Vec<(f64, bool)> = vec![(16.0, false); 8];
        let belief = weigh(&codes, 16.0, Some(16.0), true);
        assert_eq!(belief.case, Case::Correct, "{belief:?}");
        assert!(belief.structural && belief.probability > 0.9, "{belief:?}");
    }

    #[test]
    fn six_hundred_and_twenty_five_lines_fit_the_same_words() {
        let right = weigh(&scenes(&[16.5, 17.0, 16.0, 40.0]), 1.0, Some(16.0), false);
        assert_eq!(right.case, Case::Correct);
        assert!(right.probability > 0.9, "{right:?}");
        // Three scenes with one black above blanking: likely, but four scenes without black would look the same.
        let high = weigh(&scenes(&[30.0, 29.5, 30.5, 60.0]), 1.0, Some(16.0), false);
        assert_eq!(high.case, Case::Raised);
        assert!(high.probability > 0.8, "{high:?}");
    }
}
