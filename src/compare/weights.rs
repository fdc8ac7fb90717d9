//! What counts how much when passes are ranked, each with its reason.
//!
//! In: nothing, or a TOML file that lies over the defaults. Out: [`Weights`]. A criterion is a quantity; `per` is the difference
//! in it that costs as many points as its weight.
//!
//! Does not know: passes.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use serde::Serialize;

use crate::measures::{Better, Quantity, quantity};

use super::rows::{Statistic, statistic};

/// One thing that counts.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Criterion {
    /// The quantity.
    pub id: &'static str,
    /// Points that `per` costs; 0 leaves it out.
    pub weight: f64,
    /// In the quantity's unit, counts a minute.
    pub per: f64,
    /// The reason.
    pub why: &'static str,
}

/// The defaults, in the order they are printed.
pub const CRITERIA: &[Criterion] = &[
    Criterion {
        id: "line_timing.error_rms_ns",
        weight: 4.0,
        per: 20.0,
        why: "what a box is for, and no later step can do as well; a quarter of a sample is where upright edges begin to look rough",
    },
    Criterion {
        id: "flagging.offset_ns",
        weight: 1.0,
        per: 100.0,
        why: "the bend at the top is plain to see, but at the edge of the picture",
    },
    Criterion {
        id: "tear.lines",
        weight: 2.0,
        per: 1.0,
        why: "a torn line in every field is worse than any wobble; most fields have none, so the mean is small",
    },
    Criterion {
        id: "head_switch.lines",
        weight: 0.5,
        per: 2.0,
        why: "the bottom is cut off or hidden by whoever shows the picture; only what reaches above it matters",
    },
    Criterion {
        id: "sync.vertical_jitter_lines",
        weight: 2.0,
        per: 0.1,
        why: "a whole picture that bounces is seen at a tenth of a line where it is still",
    },
    Criterion {
        id: "sync.missing_fields",
        weight: 3.0,
        per: 1.0,
        why: "a picture that is lost is lost for good, and sound beside it slips",
    },
    Criterion {
        id: "sync.repeated",
        weight: 2.0,
        per: 1.0,
        why: "a picture shown again stands for one that is lost, or lets sound slip",
    },
    Criterion {
        id: "levels.low_clip_pct",
        weight: 2.0,
        per: 1.0,
        why: "shadows that are cut off do not come back; levels that are merely off can be set right, and count nothing",
    },
    Criterion {
        id: "levels.high_clip_pct",
        weight: 2.0,
        per: 1.0,
        why: "the same of highlights",
    },
    Criterion {
        id: "noise.luma_db",
        weight: 1.0,
        per: 3.0,
        why: "half the noise power is a plain difference; not more than one point, as noise can be removed later and detail not put back",
    },
    Criterion {
        id: "noise.chroma_db",
        weight: 0.5,
        per: 3.0,
        why: "the same of colour, which eyes see less sharply",
    },
    Criterion {
        id: "detail.bandwidth_mhz",
        weight: 2.0,
        per: 0.3,
        why: "a tenth of what the tape has; what is softened cannot be had back",
    },
    Criterion {
        id: "detail.ringing_pct",
        weight: 0.5,
        per: 5.0,
        why: "outlines beside edges are a sharpening that cannot be taken out cleanly",
    },
    Criterion {
        id: "chroma.delay_ns",
        weight: 0.5,
        per: 100.0,
        why: "colour beside its place is seen from a tenth of a microsecond on; it can be moved back later",
    },
    Criterion {
        id: "chroma.dot_crawl_pct",
        weight: 1.0,
        per: 2.0,
        why: "subcarrier left in the picture crawls, and is hard to remove afterwards",
    },
    Criterion {
        id: "dropouts.count",
        weight: 0.5,
        per: 60.0,
        why: "streaks are the tape's; a chain that hides one a second more helps a little",
    },
];

/// What counts.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Weights {
    /// Every criterion, those of weight 0 among them.
    pub criteria: Vec<Criterion>,
}

impl Default for Weights {
    fn default() -> Self {
        Self {
            criteria: CRITERIA.to_vec(),
        }
    }
}

/// A file of weights that makes no sense: what, and what next.
#[derive(Debug, thiserror::Error)]
pub enum WeightsError {
    /// It is no TOML of this shape.
    #[error("it is no list of weights in TOML, as \"line_timing.error_rms_ns\" = 4.0")]
    Toml(#[from] toml::de::Error),
    /// A quantity that does not exist, or cannot be ranked.
    #[error(
        "'{0}' cannot be a criterion: it is no quantity of which one way is better; those of the built-in list are {1}"
    )]
    NoCriterion(String, String),
    /// A weight that is none.
    #[error("'{0}' has {1} {2}, which is no such number: {3}")]
    NoNumber(String, &'static str, f64, &'static str),
    /// A criterion outside of the list without its size.
    #[error(
        "'{0}' is not in the built-in list, so it needs the difference that its weight stands for: {{ weight = 1.0, per = 10.0 }}"
    )]
    NoPer(String),
}

#[derive(serde::Deserialize)]
#[serde(untagged)]
enum Stated {
    Weight(f64),
    Both {
        weight: Option<f64>,
        per: Option<f64>,
    },
}

impl Weights {
    /// The defaults with those of a file in their place.
    ///
    /// # Errors
    /// The file makes no sense.
    pub fn from_toml(text: &str) -> Result<Self, WeightsError> {
        let stated: BTreeMap<String, Stated> = toml::from_str(text)?;
        let mut weights = Self::default();
        for (id, stated) in stated {
            weights.set(&id, &stated)?;
        }
        Ok(weights)
    }

    fn set(&mut self, id: &str, stated: &Stated) -> Result<(), WeightsError> {
        let (weight, per) = match *stated {
            Stated::Weight(weight) => (Some(weight), None),
            Stated::Both { weight, per } => (weight, per),
        };
        let at = match self.criteria.iter().position(|known| known.id == id) {
            Some(at) => at,
            None => self.add(id, per)?,
        };
        let criterion = &mut self.criteria[at];
        if let Some(weight) = weight {
            if !(weight.is_finite() && weight >= 0.0) {
                return Err(WeightsError::NoNumber(
                    id.to_owned(),
                    "a weight of",
                    weight,
                    "0 leaves it out, more counts more",
                ));
            }
            criterion.weight = weight;
        }
        if let Some(per) = per {
            if !(per.is_finite() && per > 0.0) {
                return Err(WeightsError::NoNumber(
                    id.to_owned(),
                    "`per` of",
                    per,
                    "give a difference above 0, in the unit of the quantity",
                ));
            }
            criterion.per = per;
        }
        Ok(())
    }

    fn add(&mut self, id: &str, per: Option<f64>) -> Result<usize, WeightsError> {
        let known = quantity(id).map(|(_, quantity)| quantity);
        let Some(quantity) = known.filter(|quantity| can_rank(quantity)) else {
            let list: Vec<&str> = CRITERIA.iter().map(|criterion| criterion.id).collect();
            return Err(WeightsError::NoCriterion(id.to_owned(), list.join(", ")));
        };
        let per = per.ok_or_else(|| WeightsError::NoPer(id.to_owned()))?;
        self.criteria.push(Criterion {
            id: quantity.id,
            weight: 1.0,
            per,
            why: "stated by the operator",
        });
        Ok(self.criteria.len() - 1)
    }

    /// The weights as a file that can be edited and given back.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let mut out = String::from(
            "# What counts how much when passes are ranked. Keep what you change, leave out the rest, and give the file back\n\
             # with --weights. `weight` points for a difference of `per` (in the quantity's unit, counts a minute); 0 leaves out.\n",
        );
        for Criterion {
            id,
            weight,
            per,
            why,
        } in &self.criteria
        {
            let _ = write!(
                out,
                "\n# {why}\n\"{id}\" = {{ weight = {weight:?}, per = {per:?} }}\n"
            );
        }
        out
    }
}

/// Whether one way of a quantity is better, and a stretch of it can be compared.
fn can_rank(quantity: &Quantity) -> bool {
    quantity.better != Better::Neither && statistic(quantity).is_some()
}

/// Points that a value costs.
pub(super) fn points(criterion: &Criterion, better: Better, value: f64) -> f64 {
    let sign = if better == Better::High { -1.0 } else { 1.0 };
    sign * value * criterion.weight / criterion.per
}

/// What is made of a criterion's fields.
pub(super) fn statistic_of(criterion: &Criterion) -> Option<(usize, &'static Quantity, Statistic)> {
    let (place, quantity) = quantity(criterion.id)?;
    Some((place, quantity, statistic(quantity)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_criterion_is_a_quantity_that_can_be_ranked() {
        for criterion in CRITERIA {
            let (_, quantity) = quantity(criterion.id).expect("a quantity");
            assert!(can_rank(quantity), "{}", criterion.id);
            assert!(criterion.weight > 0.0 && criterion.per > 0.0 && criterion.why.len() > 10);
        }
    }

    #[test]
    fn a_file_lies_over_the_defaults_and_what_is_printed_can_be_given_back() {
        let text = "\"noise.luma_db\" = 0\n\"tear.lines\" = { per = 2.5 }\n\"levels.parity_ire\" = { weight = 3, per = 1.0 }\n";
        let weights = Weights::from_toml(text).expect("it makes sense");
        let of = |id| {
            weights
                .criteria
                .iter()
                .find(|one| one.id == id)
                .expect("it is listed")
        };
        assert_eq!(
            (
                of("noise.luma_db").weight,
                of("tear.lines").per,
                of("tear.lines").weight
            ),
            (0.0, 2.5, 2.0)
        );
        assert_eq!(of("levels.parity_ire").weight, 3.0);
        let again = Weights::from_toml(&weights.to_toml()).expect("its own file");
        for (one, other) in weights.criteria.iter().zip(&again.criteria) {
            assert_eq!(
                (one.id, one.weight, one.per),
                (other.id, other.weight, other.per)
            );
        }
    }

    #[test]
    fn files_that_make_no_sense_say_what_next() {
        for (text, said) in [
            (
                "\"noise.luma\" = 1",
                "no quantity of which one way is better",
            ),
            (
                "\"levels.mean_ire\" = 1",
                "no quantity of which one way is better",
            ),
            ("\"noise.luma_db\" = -1", "0 leaves it out"),
            ("\"noise.luma_db\" = { per = 0 }", "above 0"),
            ("\"levels.parity_ire\" = 1", "needs the difference"),
            ("\"noise.luma_db\" = \"much\"", "no list of weights"),
        ] {
            let error = Weights::from_toml(text).expect_err(text).to_string();
            assert!(error.contains(said), "{text}: {error}");
        }
    }
}
