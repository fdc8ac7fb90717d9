//! What passes are of, side by side: what differs comes before everything else.
//!
//! Does not know: what was measured.

use serde::Serialize;

use crate::record::{PassHead, word_of};
use crate::sources::FieldOrder;

/// One thing that is known of passes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Setting {
    /// What.
    pub name: String,
    /// Of each pass; `None` where it is not known.
    pub values: Vec<Option<String>>,
    /// Whether they differ.
    pub differs: bool,
}

/// Everything that is known of the passes: tape and chain, then the picture, then settings and controls.
pub(super) fn settings(heads: &[&PassHead]) -> Vec<Setting> {
    let mut all = Vec::new();
    let mut add = |name: &str, of: &dyn Fn(&PassHead) -> Option<String>| {
        all.push(setting(name, heads.iter().map(|head| of(head)).collect()));
    };
    add("tape", &|head| head.tape.clone());
    add("chain", &|head| head.chain.clone());
    add("player", &|head| head.player.clone());
    add("box", &|head| head.pass_box.clone());
    add("speed", &|head| head.speed.map(|speed| word_of(&speed)));
    add("source", &|head| Some(head.source.name.clone()));
    add("kind of source", &|head| Some(head.source.kind.clone()));
    add("standard", &|head| {
        head.standard.map(|standard| word_of(&standard))
    });
    add("field order", &|head| {
        Some(
            match head.field_order {
                FieldOrder::Top => "top",
                FieldOrder::Bottom => "bottom",
                FieldOrder::Progressive => "progressive",
            }
            .to_owned(),
        )
    });
    add("code range", &|head| Some(word_of(&head.range)));
    add("set-up", &|head| Some(format!("{} IRE", head.setup.0)));
    add("sample rate", &|head| {
        head.sample_rate
            .map(|rate| format!("{:.4} MHz", rate.0 / 1e6))
    });
    add("program", &|head| Some(head.program.clone()));
    for (kind, of) in LISTS {
        for name in names(heads, of) {
            let value = |head: &PassHead| {
                let pairs = of(head).iter();
                pairs
                    .clone()
                    .find(|(known, _)| *known == name)
                    .map(|(_, value)| value.clone())
            };
            all.push(setting(
                &format!("{kind}{name}"),
                heads.iter().map(|head| value(head)).collect(),
            ));
        }
    }
    all.retain(|setting| setting.values.iter().any(Option::is_some));
    all
}

type Pairs = fn(&PassHead) -> &[(String, String)];

/// What the operator found set, and the device's own controls.
const LISTS: [(&str, Pairs); 2] = [
    ("setting ", |head| &head.settings),
    ("control ", |head| &head.source.controls),
];

/// Names in the order they first come.
fn names(heads: &[&PassHead], of: Pairs) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for (name, _) in heads.iter().flat_map(|head| of(head)) {
        if !names.contains(name) {
            names.push(name.clone());
        }
    }
    names
}

fn setting(name: &str, values: Vec<Option<String>>) -> Setting {
    Setting {
        name: name.to_owned(),
        differs: values.iter().any(|value| *value != values[0]),
        values,
    }
}

/// Whether two passes are plays of one chain: the operator named it, and nothing that was noted of it differs.
pub(super) fn is_same_chain(one: &PassHead, other: &PassHead) -> bool {
    let named = one.chain.is_some() || one.pass_box.is_some();
    named
        && one.chain == other.chain
        && one.pass_box == other.pass_box
        && one.player == other.player
        && one.speed == other.speed
        && one.settings == other.settings
        && one.source.controls == other.source.controls
}
