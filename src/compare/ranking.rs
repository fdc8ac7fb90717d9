//! Which pass is best under stated weights, whether that is certain, and where on the tape which one is.
//!
//! In: the [`Tally`] of every pass and the [`Weights`]. Out: a [`Ranking`] and [`Stretch`]es. Each criterion gives points, the
//! fewer the better; the sum of all is compared over seconds like any other row.
//!
//! Does not know: how any of it is shown.

use std::ops::Range;

use serde::Serialize;

use crate::measures::Better;

use super::bootstrap::{ALPHA, Interval, LEAST_BLOCKS, block_length, bootstrap, holm};
use super::repeats::Repeats;
use super::rows::{Statistic, both, each_pair, memory, minutes_more};
use super::shared::Shared;
use super::tally::{Sums, Tally};
use super::weights::{Weights, points, statistic_of};

/// Criteria at most: the sums of a second are of a fixed size.
const MOST_CRITERIA: usize = 32;

/// Passes from best to worst.
#[derive(Clone, Debug, Serialize)]
pub struct Ranking {
    /// Places of passes, best first; `None` where no two can be told apart.
    pub order: Option<Vec<usize>>,
    /// Each two passes.
    pub pairs: Vec<RankedPair>,
    /// What was weighed.
    pub criteria: Vec<Weighed>,
}

/// Two passes under the weights.
#[derive(Clone, Debug, Serialize)]
pub struct RankedPair {
    /// Place of the one.
    pub first: usize,
    /// Place of the other.
    pub second: usize,
    /// Seconds that tell of both.
    pub seconds: usize,
    /// The other's points less the one's; fewer are better. `None` with too little evidence.
    pub difference: Option<Interval>,
    /// Chance of it between equal chains, adjusted for the number of pairs.
    pub chance: Option<f64>,
    /// The better one; `None` where it cannot be told.
    pub better: Option<usize>,
    /// Points by criterion, the largest first.
    pub deciding: Vec<Share>,
    /// Minutes of tape more until it could be told.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes_more: Option<f64>,
}

/// What one criterion adds.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Share {
    /// The criterion.
    pub id: &'static str,
    /// For a screen.
    pub label: &'static str,
    /// The other's points less the one's.
    pub points: f64,
}

/// A criterion and what became of it.
#[derive(Clone, Debug, Serialize)]
pub struct Weighed {
    /// The criterion.
    pub id: &'static str,
    /// For a screen.
    pub label: &'static str,
    /// Unit of `per`.
    pub unit: &'static str,
    /// Points that `per` costs.
    pub weight: f64,
    /// The difference that costs them.
    pub per: f64,
    /// Why it counts so much.
    pub why: &'static str,
    /// Why it was left out; `None` where it counts.
    pub left_out: Option<String>,
}

/// A stretch of tape with one best pass.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Stretch {
    /// First second on the first pass.
    pub start_seconds: u64,
    /// The second after the last.
    pub end_seconds: u64,
    /// The best; `None` where it cannot be told.
    pub best: Option<usize>,
}

/// Length of the pieces that stretches are made of, in seconds.
const PIECE: usize = 60;

/// Seconds that a criterion may speak of to tell of a piece.
const QUICK: usize = 4;

/// One criterion in use.
#[derive(Clone, Copy)]
struct Used {
    id: &'static str,
    label: &'static str,
    group: &'static str,
    place: usize,
    better: Better,
    statistic: Statistic,
    criterion: super::Criterion,
    memory: usize,
}

/// What passes are ranked by.
pub(super) struct Plan<'a> {
    pub(super) tallies: &'a [Tally],
    pub(super) shared: &'a Shared,
    pub(super) fields_a_minute: f64,
}

impl Plan<'_> {
    /// Ranks.
    pub(super) fn rank(&self, weights: &Weights, repeats: &Repeats) -> (Ranking, Vec<Stretch>) {
        let (used, criteria) = self.choose(weights);
        let passes = self.tallies.len();
        let mut pairs: Vec<RankedPair> = each_pair(passes)
            .map(|places| self.pair(&used, places))
            .collect();
        let groups: Vec<&str> = used.iter().map(|criterion| criterion.group).collect();
        for pair in &mut pairs {
            let places = (pair.first, pair.second);
            let widened = |known| repeats.widened(places, &groups, known);
            pair.difference = pair.difference.map(widened);
        }
        judge(&mut pairs);
        let ranking = Ranking {
            order: order(&pairs, passes),
            pairs,
            criteria,
        };
        (ranking, self.stretches(&used))
    }

    /// Seconds of a criterion that tell of all passes.
    fn telling(&self, place: usize) -> usize {
        each_pair(self.tallies.len())
            .map(|(first, second)| {
                let [one, other] = [first, second].map(|pass| self.tallies[pass].seconds(place));
                both(one, other, &self.shared.of_second).len()
            })
            .min()
            .unwrap_or(0)
    }

    fn choose(&self, weights: &Weights) -> (Vec<Used>, Vec<Weighed>) {
        let (mut used, mut weighed) = (Vec::new(), Vec::new());
        for criterion in &weights.criteria {
            let Some((place, quantity, statistic)) = statistic_of(criterion) else {
                continue;
            };
            let one = Used {
                id: quantity.id,
                label: quantity.label,
                group: quantity.group.word(),
                place,
                better: quantity.better,
                statistic,
                criterion: *criterion,
                memory: memory(quantity.id),
            };
            let left_out = self.why_left_out(&one, used.len());
            weighed.push(Weighed {
                id: quantity.id,
                label: quantity.label,
                unit: quantity.unit.symbol(),
                weight: criterion.weight,
                per: criterion.per,
                why: criterion.why,
                left_out: left_out.clone(),
            });
            if left_out.is_none() {
                used.push(one);
            }
        }
        (used, weighed)
    }

    fn why_left_out(&self, one: &Used, used: usize) -> Option<String> {
        let seconds = self.telling(one.place);
        let of_second = self.shared.of_second.iter();
        let shared = of_second.filter(|&&fields| fields > 0).count();
        let needed = LEAST_BLOCKS * one.memory;
        if one.criterion.weight == 0.0 {
            Some("its weight is 0".to_owned())
        } else if used == MOST_CRITERIA {
            Some(format!("{MOST_CRITERIA} criteria are weighed at most"))
        } else if 2 * seconds < shared {
            let why = "measurable in all passes in less than half of the stretch they share";
            Some(why.to_owned())
        } else if seconds < needed {
            Some(format!(
                "one value speaks of {} s, so it takes {needed} s and {seconds} s are shared",
                one.memory
            ))
        } else {
            None
        }
    }

    /// Every second in which any criterion tells of both passes.
    fn seconds_of(
        &self,
        used: &[Used],
        (first, second): (usize, usize),
        within: Range<usize>,
    ) -> Vec<Second> {
        let mut all = Vec::new();
        for at in within {
            let mut sums = [0.0; 2 * MOST_CRITERIA];
            let fields = self.shared.of_second[at];
            for (nth, criterion) in used.iter().enumerate() {
                let [a, b] =
                    [first, second].map(|pass| self.tallies[pass].seconds(criterion.place)[at]);
                if fields > 0 && 2 * a.n >= fields && 2 * b.n >= fields {
                    let points = |sums: &Sums| criterion.points(sums, self.fields_a_minute);
                    sums[2 * nth] = points(&b) - points(&a);
                    sums[2 * nth + 1] = 1.0;
                }
            }
            if sums.iter().skip(1).step_by(2).any(|n| *n > 0.0) {
                all.push(sums);
            }
        }
        all
    }

    fn pair(&self, used: &[Used], (first, second): (usize, usize)) -> RankedPair {
        let seconds = self.seconds_of(used, (first, second), 0..self.shared.of_second.len());
        let mut sums = [0.0; 2 * MOST_CRITERIA];
        for one in &seconds {
            for (sum, one) in sums.iter_mut().zip(one) {
                *sum += one;
            }
        }
        let mut deciding: Vec<Share> = used
            .iter()
            .enumerate()
            .filter(|(at, _)| sums[2 * at + 1] > 0.0)
            .map(|(at, criterion)| Share {
                id: criterion.id,
                label: criterion.label,
                points: sums[2 * at] / sums[2 * at + 1],
            })
            .collect();
        deciding.sort_by(|a, b| b.points.abs().total_cmp(&a.points.abs()));
        RankedPair {
            first,
            second,
            seconds: seconds.len(),
            difference: interval(&seconds, used),
            chance: None,
            better: None,
            deciding,
            minutes_more: None,
        }
    }

    /// Where on the tape which pass is best, by those criteria that tell of single seconds.
    fn stretches(&self, used: &[Used]) -> Vec<Stretch> {
        let quick: Vec<Used> = used
            .iter()
            .filter(|one| one.memory <= QUICK)
            .copied()
            .collect();
        let mut all: Vec<Stretch> = Vec::new();
        if quick.is_empty() {
            return all;
        }
        let end = self.shared.of_second.len();
        let pieces = end.div_ceil(PIECE);
        for piece in 0..pieces {
            let seconds = piece * PIECE..((piece + 1) * PIECE).min(end);
            let mut fields = self.shared.of_second[seconds.clone()].iter();
            if fields.all(|&fields| fields == 0) {
                continue;
            }
            let best = self.best_of(&quick, &seconds, pieces);
            let (start, end) = (seconds.start as u64, seconds.end as u64);
            match all.last_mut() {
                Some(last) if last.best == best && last.end_seconds == start => {
                    last.end_seconds = end;
                }
                _ => all.push(Stretch {
                    start_seconds: start,
                    end_seconds: end,
                    best,
                }),
            }
        }
        all
    }

    /// The pass that is better than every other for certain; there are so many `pieces` to be certain of.
    fn best_of(&self, used: &[Used], seconds: &Range<usize>, pieces: usize) -> Option<usize> {
        let mut wins = vec![0; self.tallies.len()];
        for (first, second) in each_pair(self.tallies.len()) {
            let found = self.seconds_of(used, (first, second), seconds.clone());
            let Some(difference) = interval(&found, used) else {
                continue;
            };
            if difference.chance() < ALPHA / pieces as f64 {
                wins[if difference.value < 0.0 {
                    second
                } else {
                    first
                }] += 1;
            }
        }
        wins.iter().position(|&won| won + 1 == self.tallies.len())
    }
}

impl Used {
    /// Points of a second.
    fn points(&self, sums: &Sums, fields_a_minute: f64) -> f64 {
        let n = f64::from(sums.n);
        let value = match self.statistic {
            Statistic::Mean => f64::from(sums.sum) / n,
            Statistic::Rms => (f64::from(sums.squares) / n).max(0.0).sqrt(),
            Statistic::PerMinute => f64::from(sums.sum) / n * fields_a_minute,
        };
        points(&self.criterion, self.better, value)
    }
}

/// Differences in points, and their number, of every criterion in one second.
type Second = [f64; 2 * MOST_CRITERIA];

/// The sum over criteria of their mean differences.
fn total(sums: &Second) -> Option<f64> {
    let shares = sums.chunks_exact(2).filter(|pair| pair[1] > 0.0);
    let mut any = false;
    let total = shares
        .map(|pair| pair[0] / pair[1])
        .inspect(|_| any = true)
        .sum();
    any.then_some(total)
}

fn interval(seconds: &[Second], used: &[Used]) -> Option<Interval> {
    let plain: Vec<f64> = seconds.iter().filter_map(total).collect();
    let memory = used.iter().map(|criterion| criterion.memory).max()?;
    bootstrap(seconds, block_length(&plain, memory), total)
}

fn judge(pairs: &mut [RankedPair]) {
    let told: Vec<usize> = (0..pairs.len())
        .filter(|&at| pairs[at].difference.is_some())
        .collect();
    let chances: Vec<f64> = told
        .iter()
        .filter_map(|&at| pairs[at].difference.map(|difference| difference.chance()))
        .collect();
    for (&at, adjusted) in told.iter().zip(holm(&chances)) {
        let pair = &mut pairs[at];
        pair.chance = Some(adjusted);
        let Some(difference) = pair.difference else {
            continue;
        };
        if adjusted < ALPHA {
            pair.better = Some(if difference.value < 0.0 {
                pair.second
            } else {
                pair.first
            });
        } else {
            pair.minutes_more = minutes_more(difference, pair.seconds);
        }
    }
}

/// Best first, by how many others each is better than and then by points; `None` where nothing is told.
fn order(pairs: &[RankedPair], passes: usize) -> Option<Vec<usize>> {
    if pairs.iter().all(|pair| pair.better.is_none()) {
        return None;
    }
    let points = |pass: usize| -> f64 {
        let differences = pairs.iter().filter_map(|pair| {
            let difference = pair.difference?.value;
            match pass {
                _ if pass == pair.second => Some(difference),
                _ if pass == pair.first => Some(-difference),
                _ => None,
            }
        });
        differences.sum()
    };
    let mut order: Vec<usize> = (0..passes).collect();
    order.sort_by(|&a, &b| points(a).total_cmp(&points(b)));
    Some(order)
}
