//! What two plays of one chain differ by: the yardstick for what two chains differ by.
//!
//! In: heads of passes, and what rows say of each two. Out: [`Repeats`], and wider intervals between different chains. No two plays of a tape are
//! alike: tension, tracking and warmth differ. Seconds of one play do not show that, only another play does.
//!
//! Does not know: why plays differ.

use serde::Serialize;

use crate::record::PassHead;

use super::bootstrap::Interval;
use super::settings::is_same_chain;

/// Plays of one chain among the passes.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Repeats {
    /// Places of passes that are plays of one chain, where there are two or more.
    pub chains: Vec<Vec<usize>>,
}

impl Repeats {
    /// Finds plays of one chain.
    pub(super) fn of(heads: &[&PassHead]) -> Self {
        let mut chains: Vec<Vec<usize>> = Vec::new();
        for (place, head) in heads.iter().enumerate() {
            match chains
                .iter_mut()
                .find(|chain| is_same_chain(heads[chain[0]], head))
            {
                Some(chain) => chain.push(place),
                None => chains.push(vec![place]),
            }
        }
        chains.retain(|chain| chain.len() > 1);
        Self { chains }
    }

    /// Whether two passes are plays of one chain.
    fn is_same(&self, (first, second): (usize, usize)) -> bool {
        let mut chains = self.chains.iter();
        chains.any(|chain| chain.contains(&first) && chain.contains(&second))
    }

    /// Widens what is said of different chains, in one row, by what plays of one differ by.
    pub(super) fn widen(&self, row: &mut [((usize, usize), &mut Option<Interval>)]) {
        let plays: usize = self.chains.iter().map(|chain| chain.len() - 1).sum();
        let of_one: Vec<Interval> = row
            .iter()
            .filter(|(pair, _)| self.is_same(*pair))
            .filter_map(|(_, difference)| **difference)
            .collect();
        let freedom = plays.min(of_one.len());
        // beyond what the seconds of each explain; each difference holds the variance of two plays
        let excess = of_one
            .iter()
            .map(|one| (one.value * one.value - one.error * one.error) / 2.0);
        let variance = excess.sum::<f64>() / of_one.len() as f64;
        if freedom == 0 || variance <= 0.0 {
            return;
        }
        for (pair, difference) in row {
            if !self.is_same(*pair) {
                let error = (2.0 * variance).sqrt();
                **difference = difference.map(|known| known.widened(error, freedom as f64));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_two_plays_of_one_chain_differ_by_widens_what_is_said_of_others() {
        let repeats = Repeats {
            chains: vec![vec![0, 2]],
        };
        let [mut one, mut other, mut same] =
            [10.0, 4.0, 6.0].map(|value| Some(Interval::new(value, 1.0, 20.0)));
        repeats.widen(&mut [
            ((0, 1), &mut one),
            ((1, 2), &mut other),
            ((0, 2), &mut same),
        ]);
        // (6² − 1²) is the variance of two plays; with the row's own of 1 that is 36
        let [one, other, same] = [one, other, same].map(|one| one.expect("it stays"));
        assert!((one.error - 6.0).abs() < 1e-12 && (other.error - 6.0).abs() < 1e-12);
        assert!(
            one.freedom < 1.1,
            "one difference of plays is little evidence: {}",
            one.freedom
        );
        assert_eq!((one.value, same.error), (10.0, 1.0));
    }

    #[test]
    fn plays_that_differ_no_more_than_their_seconds_widen_nothing() {
        let repeats = Repeats {
            chains: vec![vec![0, 2]],
        };
        let [mut one, mut same] = [10.0, 0.5].map(|value| Some(Interval::new(value, 1.0, 20.0)));
        repeats.widen(&mut [((0, 1), &mut one), ((0, 2), &mut same)]);
        assert_eq!(one.expect("it stays").error, 1.0);
    }
}
