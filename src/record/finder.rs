//! Finds the values of brightness and contrast that put black and peak where they belong, by small steps with the reading of
//! levels in the loop.
//!
//! In: readings field by field, and the controls as they stand. Out: an [`Act`] now and then: a control to set, a sentence
//! for the operator. Three things happen in turn:
//! * What a step of each control does is tried: a little up, back again. Only a picture that stood still meanwhile tells.
//! * Where black and peak should go ([`Demand`]): by colour bars if they are shown, which say both; else black by the adviser on the
//!   set-up, or up where it lies under nominal or is cut off; peak down where it lies over nominal or is cut off. A dark
//!   scene is no reason to raise the contrast, nor a bright one to lower the brightness.
//! * Both controls go there by moves of a few codes, each looked at before the next. It looks on afterwards: what a later
//!   scene demands is moved too.
//!
//! Levels cut off before the control stay cut off however it is set; that is said, and not chased.
//!
//! Does not know: how a control is set, or set back.

use crate::measures::Readings;
use crate::record::effect::{Effect, Mapping, Spread};
use crate::sources::{ControlAccess, ControlListing, ControlRole, ControlSetting};
use crate::units::CodeRange;

use demand::{Demand, Scale, Window};

mod demand;
#[cfg(test)]
mod tests;

/// Fields from a setting to the first that is believed to show it: all that may wait in the device and before the analysis
/// (eight and twelve frames), and two more.
const SETTLE_FIELDS: u32 = 44;

/// Fields of a look: half a second, so that a dropout or a flash counts little.
const LOOK_FIELDS: u32 = 25;

/// Fields that a device may take to show a new value: five seconds.
const PATIENCE_FIELDS: u32 = 250;

/// What a trial step must do to the picture somewhere, in codes; less is not told from noise.
const LEAST_EFFECT: f64 = 2.0;

/// How far codes may have moved when the control is back, in codes: more is another picture, or a device that moves by itself.
const STILL: f64 = 0.8;

/// Share of a control's range that is tried first, and at most.
const FIRST_TRIAL: i64 = 64;
const LARGEST_TRIAL: i64 = 4;

/// Trials of one control before the picture is called too lively.
const MOST_TRIALS: u32 = 20;

/// Codes that one move shifts black or peak by at most: none that an eye takes for a fault.
const MOST_SHIFT: f64 = 6.0;

/// Moves in all before it is given up: the scale is 220 codes long, and both ends may have to go a quarter of it.
const MOST_MOVES: u32 = 60;

/// Looks in a row without a demand after which the values are called found.
const QUIET_LOOKS: u32 = 3;

/// What is to be done.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Act {
    /// Controls to set.
    pub set: Vec<ControlSetting>,
    /// A sentence for the operator.
    pub say: Option<String>,
    /// The controls stand where they are wanted: what was seen before says nothing of the chain now.
    pub changed: Option<String>,
}

impl Act {
    fn say(text: String) -> Self {
        Self {
            say: Some(text),
            ..Self::default()
        }
    }
}

/// How the search stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// It goes on.
    Searching,
    /// Nothing is left to move.
    Found,
    /// It cannot go on.
    Stuck,
}

/// A control that is used.
#[derive(Clone, Debug)]
struct Knob {
    id: u32,
    name: String,
    found: i64,
    /// Where it is wanted now.
    value: i64,
    bounds: (i64, i64),
    step: i64,
    effect: Option<Effect>,
    trials: u32,
}

impl Knob {
    fn of(control: &ControlListing) -> Self {
        Self {
            id: control.id,
            name: control.name.clone(),
            found: control.setting,
            value: control.setting,
            bounds: (control.minimum, control.maximum),
            step: control.step,
            effect: None,
            trials: 0,
        }
    }

    /// A value within the bounds, a whole number of steps away.
    fn near(&self, change: f64) -> i64 {
        let steps = (change / self.step as f64).round() as i64;
        let value = self.value.saturating_add(steps.saturating_mul(self.step));
        value.clamp(self.bounds.0, self.bounds.1)
    }

    /// Where a trial of so much goes: up, or down where there is no room.
    fn trial(&self, size: i64) -> i64 {
        let up = self.near(size as f64);
        if up.saturating_sub(self.value) >= size {
            up
        } else {
            self.near(-(size as f64))
        }
    }

    fn trial_size(&self, share: i64) -> i64 {
        let range = self.bounds.1.saturating_sub(self.bounds.0);
        let steps = range / share / self.step;
        steps.max(1) * self.step
    }

    fn setting(&self) -> ControlSetting {
        ControlSetting {
            id: self.id,
            value: self.value,
        }
    }
}

/// What a look is for.
#[derive(Clone, Debug)]
enum Stage {
    /// Before a trial of a knob, of that size.
    Before { knob: usize, size: i64 },
    /// During it; it is off by so much.
    During {
        knob: usize,
        change: i64,
        before: Box<Spread>,
    },
    /// After it.
    After {
        knob: usize,
        change: i64,
        before: Box<Spread>,
        during: Box<Spread>,
    },
    /// Where things stand; after a move, with the picture before it.
    Judging { moved: Option<Box<Moved>> },
}

/// What a move was to do.
#[derive(Clone, Debug)]
struct Moved {
    before: Spread,
    /// Black before it, and what was foretold of it.
    black: (f64, f64),
}

/// The search.
#[derive(Clone, Debug)]
pub struct Finder {
    scale: Scale,
    knobs: Vec<Knob>,
    stage: Stage,
    unsettled: u32,
    unanswered: u32,
    window: Window,
    /// What is left to do of what the adviser asked for, in codes; then it is not listened to.
    owed: Option<f64>,
    /// Looks during which the adviser has not heard of the last move.
    deaf: u32,
    moves: u32,
    quiet: u32,
    /// Something was moved since the values were last called found.
    moved: bool,
    standing: Standing,
    last: String,
}

impl Finder {
    /// Begins with the controls as found.
    ///
    /// # Errors
    /// There is no brightness that can be set; the sentence says what there is.
    pub fn new(controls: &[ControlListing], range: CodeRange) -> Result<Self, String> {
        let knobs = usable(controls)?;
        let size = knobs[0].trial_size(FIRST_TRIAL);
        Ok(Self {
            scale: Scale::new(range),
            knobs,
            stage: Stage::Before { knob: 0, size },
            unsettled: 0,
            unanswered: 0,
            window: Window::default(),
            owed: None,
            deaf: 0,
            moves: 0,
            quiet: 0,
            moved: false,
            standing: Standing::Searching,
            last: "no picture has come yet".to_owned(),
        })
    }

    /// How the search stands.
    #[must_use]
    pub fn standing(&self) -> Standing {
        self.standing
    }

    /// What was found, or how far it came, in one sentence.
    #[must_use]
    pub fn report(&self) -> String {
        let values = self.values();
        match self.standing {
            Standing::Found => format!("levels found: {values}: {}", self.last),
            Standing::Searching => format!("levels not found yet: {}; {values} so far", self.last),
            Standing::Stuck => format!("levels not found: {}; {values} so far", self.last),
        }
    }

    /// The controls as proposed.
    fn values(&self) -> String {
        let values = self.knobs.iter().map(|knob| {
            if knob.value == knob.found {
                format!("{} {} as found", knob.name, knob.value)
            } else {
                format!("{} {} (found {})", knob.name, knob.value, knob.found)
            }
        });
        values.collect::<Vec<_>>().join(", ")
    }

    /// Takes a field, with the controls as they were last read, and why the last setting was refused.
    pub fn observe(
        &mut self,
        readings: &Readings,
        controls: &[ControlListing],
        trouble: Option<&str>,
    ) -> Option<Act> {
        if self.standing == Standing::Stuck {
            return None;
        }
        if !self.stand_as_wanted(controls) {
            return self.wait_for_answer(controls, trouble);
        }
        self.unanswered = 0;
        if self.unsettled > 0 {
            self.unsettled -= 1;
            return None;
        }
        self.window.add(readings);
        if self.window.fields() < LOOK_FIELDS {
            return None;
        }
        let window = std::mem::take(&mut self.window);
        self.looked(window)
    }

    fn stand_as_wanted(&self, controls: &[ControlListing]) -> bool {
        self.knobs.iter().all(|knob| {
            let now = controls.iter().find(|control| control.id == knob.id);
            now.is_some_and(|now| now.setting == knob.value)
        })
    }

    /// The device does not show what was set, yet: it is away, or somebody else has set it.
    fn wait_for_answer(
        &mut self,
        controls: &[ControlListing],
        trouble: Option<&str>,
    ) -> Option<Act> {
        self.unanswered += 1;
        if self.unanswered < PATIENCE_FIELDS {
            return None;
        }
        self.unanswered = 0;
        if let Some(trouble) = trouble {
            return Some(self.stop(trouble.to_owned()));
        }
        // Where it stands now is the operator's wish: the search goes on from there.
        for knob in &mut self.knobs {
            if let Some(now) = controls.iter().find(|control| control.id == knob.id) {
                knob.value = now.setting;
            }
        }
        self.begin_again();
        let text = format!(
            "the controls were set elsewhere: going on from {}",
            self.values()
        );
        self.last.clone_from(&text);
        Some(Act::say(text))
    }

    fn begin_again(&mut self) {
        self.window = Window::default();
        self.unsettled = SETTLE_FIELDS;
        self.owed = None;
        self.quiet = 0;
        self.standing = Standing::Searching;
        self.stage = match self.knobs.iter().position(|knob| knob.effect.is_none()) {
            Some(knob) => Stage::Before {
                knob,
                size: self.knobs[knob].trial_size(FIRST_TRIAL),
            },
            None => Stage::Judging { moved: None },
        };
    }

    fn stop(&mut self, why: String) -> Act {
        self.standing = Standing::Stuck;
        self.last = why;
        Act::say(self.report())
    }

    fn set(&mut self, at: usize, value: i64, say: String) -> Act {
        self.knobs[at].value = value;
        self.unsettled = SETTLE_FIELDS;
        self.last.clone_from(&say);
        Act {
            set: vec![self.knobs[at].setting()],
            say: Some(say),
            ..Act::default()
        }
    }

    fn looked(&mut self, window: Window) -> Option<Act> {
        let stage = std::mem::replace(&mut self.stage, Stage::Judging { moved: None });
        match stage {
            Stage::Before { knob, size } => Some(self.try_out(knob, size, window.spread)),
            Stage::During {
                knob,
                change,
                before,
            } => {
                let back = self.knobs[knob].value - change;
                self.stage = Stage::After {
                    knob,
                    change,
                    before,
                    during: Box::new(window.spread),
                };
                let say = format!("{} back to {back}", self.knobs[knob].name);
                Some(self.set(knob, back, say))
            }
            Stage::After {
                knob,
                change,
                before,
                during,
            } => Some(self.tried((knob, change), (&before, &during), window.spread)),
            Stage::Judging { moved } => self.judge(&window, moved.as_deref()),
        }
    }

    /// Begins a trial.
    fn try_out(&mut self, at: usize, size: i64, before: Spread) -> Act {
        let knob = &mut self.knobs[at];
        knob.trials += 1;
        let to = knob.trial(size);
        let say = format!("trying what {} does: {} to {to}", knob.name, knob.value);
        let change = to - knob.value;
        self.stage = Stage::During {
            knob: at,
            change,
            before: Box::new(before),
        };
        self.set(at, to, say)
    }

    /// A trial is over and the control is back.
    fn tried(
        &mut self,
        (at, change): (usize, i64),
        (before, during): (&Spread, &Spread),
        after: Spread,
    ) -> Act {
        let ends = self.scale.ends();
        let far = |mapping: Mapping| ends.map(|code| mapping.shift(code).abs());
        let still = Mapping::between(before, &after)
            .is_some_and(|it| far(it).into_iter().all(|shift| shift <= STILL));
        let done = Mapping::between(before, during).filter(|_| still);
        let largest = self.knobs[at].trial_size(LARGEST_TRIAL);
        let knob = &mut self.knobs[at];
        let again = match done {
            None if knob.trials >= MOST_TRIALS => {
                let why = format!(
                    "what {} does cannot be seen, for the picture changes all the time; hold on a still scene or colour bars",
                    knob.name
                );
                return self.stop(why);
            }
            None => change.abs(),
            Some(mapping) if far(mapping).into_iter().any(|it| it >= LEAST_EFFECT) => {
                knob.effect = Effect::of(mapping, change);
                let black = mapping.shift(ends[0]) / change as f64;
                let peak = mapping.shift(ends[1]) / change as f64;
                let text = format!(
                    "{}: one up moves black by {black:+.2} codes and peak by {peak:+.2}",
                    knob.name
                );
                self.last.clone_from(&text);
                return self.next_knob(at, text);
            }
            Some(_) if change.abs() >= largest => {
                let text = format!(
                    "{} does nothing to this picture, {} up or down",
                    knob.name,
                    change.abs()
                );
                if at == 0 {
                    return self.stop(text);
                }
                self.knobs.truncate(at);
                return self.next_knob(at, text);
            }
            Some(_) => (2 * change.abs()).min(largest),
        };
        // The picture after the trial is the one before the next.
        self.try_out(at, again, after)
    }

    fn next_knob(&mut self, at: usize, text: String) -> Act {
        if let Some(next) = self.knobs.get(at + 1) {
            self.stage = Stage::Before {
                knob: at + 1,
                size: next.trial_size(FIRST_TRIAL),
            };
        }
        Act::say(text)
    }

    /// Looks whether something is left to move.
    fn judge(&mut self, window: &Window, moved: Option<&Moved>) -> Option<Act> {
        self.account(window, moved);
        if self.deaf > 0 {
            self.deaf -= 1;
        } else if self.owed.is_none() {
            self.owed = self.scale.asked(window.advice());
        }
        let Some(demand) = self.scale.demand(window, self.owed) else {
            return None; // no picture to judge by
        };
        let Some(to) = self.next_values(&demand) else {
            return self.rest(&demand);
        };
        if self.moves >= MOST_MOVES {
            return Some(self.stop(format!(
                "{MOST_MOVES} moves did not do it ({})",
                demand.stands
            )));
        }
        Some(self.go(to, &demand, window.spread.clone()))
    }

    /// What is owed to the adviser after a move: by the picture where it is still the same, else as foretold.
    fn account(&mut self, window: &Window, moved: Option<&Moved>) {
        let (Some(owed), Some(moved)) = (self.owed, moved) else {
            return;
        };
        let (black, foretold) = moved.black;
        let seen = Mapping::between(&moved.before, &window.spread).map(|it| it.shift(black));
        // Twice or half of what was foretold is another picture that happens to lie on a line.
        let believed = seen.filter(|it| (0.4..2.5).contains(&(it / foretold)));
        self.owed = Some(owed - believed.unwrap_or(foretold));
    }

    /// Where the controls should go now; `None` where they are as near as they come.
    fn next_values(&self, demand: &Demand) -> Option<Vec<i64>> {
        let (whole, share) = self.changes(demand);
        let near = |share: f64| {
            let knobs = self.knobs.iter().zip(whole);
            let values: Vec<i64> = knobs
                .map(|(knob, change)| knob.near(share * change))
                .collect();
            let stay = self.knobs.iter().zip(&values);
            let stay = stay.into_iter().all(|(knob, &to)| knob.value == to);
            (!stay).then_some(values)
        };
        // Where a single step shifts farther than a move should, it has to be that step.
        near(share).or_else(|| {
            let single = |(knob, to): (&Knob, i64)| {
                knob.value + (to - knob.value).clamp(-knob.step, knob.step)
            };
            let values = near(1.0)?;
            Some(self.knobs.iter().zip(values).map(single).collect())
        })
    }

    /// By how much each control should move, nothing where the demand is met; and the share of it that is one move.
    fn changes(&self, demand: &Demand) -> ([f64; 2], f64) {
        let effect = |at: usize| self.knobs.get(at).and_then(|knob| knob.effect);
        let changes = demand.solve(effect(0), effect(1));
        // All of it at once, or as much as shifts neither end too far.
        let shift_at = |code: f64| {
            let each = [0, 1].map(|at| effect(at).map_or(0.0, |it| it.at(code) * changes[at]));
            (each[0] + each[1]).abs()
        };
        let most = shift_at(demand.black_code).max(shift_at(demand.peak_code));
        (changes, MOST_SHIFT / most.max(MOST_SHIFT))
    }

    fn go(&mut self, to: Vec<i64>, demand: &Demand, before: Spread) -> Act {
        let mut said = Vec::new();
        let mut set = Vec::new();
        let mut foretold = 0.0;
        for (knob, to) in self.knobs.iter_mut().zip(to) {
            if to == knob.value {
                continue;
            }
            said.push(format!("{} {} to {to}", knob.name, knob.value));
            let effect = knob.effect.map_or(0.0, |it| it.at(demand.black_code));
            foretold += effect * (to - knob.value) as f64;
            knob.value = to;
            set.push(knob.setting());
        }
        self.moves += 1;
        self.moved = true;
        self.quiet = 0;
        self.standing = Standing::Searching;
        self.unsettled = SETTLE_FIELDS;
        self.stage = Stage::Judging {
            moved: Some(Box::new(Moved {
                before,
                black: (demand.black_code, foretold),
            })),
        };
        self.last.clone_from(&demand.stands);
        Act {
            set,
            say: Some(format!("{} ({})", said.join(", "), demand.stands)),
            changed: None,
        }
    }

    /// Nothing is to be moved, or nothing can be.
    fn rest(&mut self, demand: &Demand) -> Option<Act> {
        self.quiet = self.quiet.saturating_add(1);
        self.last = match demand.left() {
            Some(left) => format!("{}; {left}", demand.stands),
            None => demand.stands.clone(),
        };
        if self.quiet < QUIET_LOOKS || self.standing == Standing::Found {
            return None;
        }
        self.standing = Standing::Found;
        self.owed = None;
        self.moves = 0;
        self.deaf = QUIET_LOOKS;
        let was_moved = std::mem::take(&mut self.moved);
        Some(Act {
            set: Vec::new(),
            say: Some(self.report()),
            changed: was_moved.then(|| self.values()),
        })
    }
}

/// Brightness, then contrast where there is one.
fn usable(controls: &[ControlListing]) -> Result<Vec<Knob>, String> {
    let of_role = |wanted| {
        let of_role = controls.iter().find(|control| control.role == Some(wanted));
        of_role.filter(|control| control.access != ControlAccess::Held)
    };
    let Some(brightness) = of_role(ControlRole::Brightness) else {
        let has: Vec<&str> = controls
            .iter()
            .filter(|control| control.role.is_some())
            .map(|control| control.name.as_str())
            .collect();
        return Err(if has.is_empty() {
            "it has no controls of its levels".to_owned()
        } else {
            format!(
                "it has no brightness that can be set, only {}",
                has.join(", ")
            )
        });
    };
    let contrast = of_role(ControlRole::Contrast);
    Ok(std::iter::once(brightness)
        .chain(contrast)
        .map(Knob::of)
        .collect())
}
