//! `trueline explain`: a text, or the list of them.
//!
//! Does not know: the texts.

use anyhow::{Result, bail};

use crate::views::explain;

use super::{Outcome, print};

/// Prints the text of a topic, or the list.
///
/// # Errors
/// There is no such topic.
pub(super) fn run(topic: Option<&str>) -> Result<Outcome> {
    let Some(topic) = topic else {
        return print(&explain::list());
    };
    match explain::explain(topic) {
        Ok(text) => print(&text),
        Err(nearest) => bail!(
            "explaining `{topic}`: there is no such quantity or event; nearest are {}; `trueline explain` lists all",
            nearest.join(", ")
        ),
    }
}
