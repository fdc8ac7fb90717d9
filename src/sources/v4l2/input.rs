//! Which input is captured, and in which standard.
//!
//! Does not know: pictures and buffers.

use rustix::io::Errno;
use v4l::v4l_sys::v4l2_input;

use super::node::{Node, text};
use super::standards::{self, Offer};
use crate::sources::{SourceError, SourceErrorKind, StandardWish, Wishes};
use crate::standard::Standard;

/// The standard in force.
#[derive(Clone, Copy)]
pub(super) struct InForce {
    /// `v4l2_std_id`; `None` for a device without standards.
    pub(super) bits: Option<u64>,
    /// Its lines, by the device or else by the operator's word.
    pub(super) lines: Option<Standard>,
    /// Whether the device answers when asked what the signal has.
    pub(super) detects: bool,
}

/// The input wished for, switched to; without a wish the one in use.
pub(super) fn choose_input(
    node: &Node,
    wish: Option<&str>,
) -> Result<Option<v4l2_input>, SourceError> {
    let inputs = node.inputs();
    let Some(wish) = wish else {
        let current = node.current_input().ok();
        return Ok(inputs.into_iter().find(|it| Some(it.index) == current));
    };
    let names: Vec<_> = inputs.iter().map(|it| (it.index, text(&it.name))).collect();
    let Some(number) = matching_input(&names, wish) else {
        return Err(unknown_input(node, wish, &names));
    };
    if node.current_input() != Ok(number) {
        node.set_input(number)
            .map_err(|error| node.failure(&format!("switching to input {wish:?}"), error))?;
    }
    Ok(inputs.into_iter().find(|it| it.index == number))
}

/// The input meant: a number, a name in any case, or the one input whose name contains the word.
fn matching_input(names: &[(u32, String)], wish: &str) -> Option<u32> {
    if let Ok(number) = wish.trim().parse::<u32>() {
        return names.iter().find(|it| it.0 == number).map(|it| it.0);
    }
    let wish = wish.trim().to_lowercase();
    let whole = names.iter().find(|it| it.1.to_lowercase() == wish);
    let mut partial = names
        .iter()
        .filter(|it| it.1.to_lowercase().contains(&wish));
    match (whole, partial.next(), partial.next()) {
        (Some(one), _, _) | (None, Some(one), None) => Some(one.0),
        _ => None,
    }
}

fn unknown_input(node: &Node, wish: &str, names: &[(u32, String)]) -> SourceError {
    let offered: Vec<_> = names
        .iter()
        .map(|(number, name)| format!("{number} ({name})"))
        .collect();
    let has = if offered.is_empty() {
        "it lists no inputs, so leave `--input` out".to_owned()
    } else {
        format!("it has {}", offered.join(", "))
    };
    SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "{}: no single input is called {wish:?}; {has}",
            node.path().display()
        ),
    )
}

/// Finds, and where needed sets, the standard of the input in use.
pub(super) fn choose_standard(
    node: &Node,
    input: Option<&v4l2_input>,
    wishes: &Wishes,
    remarks: &mut Vec<String>,
) -> Result<InForce, SourceError> {
    let wish = wishes.standard.unwrap_or(StandardWish::Auto);
    let current = match node.standard() {
        Ok(bits) => bits,
        Err(Errno::NOTTY | Errno::INVAL | Errno::NODATA) => {
            remarks.push(
                "The device knows no video standards; the raster or `--standard` says which it is."
                    .to_owned(),
            );
            return Ok(InForce {
                bits: None,
                lines: wish.lines(),
                detects: false,
            });
        }
        Err(error) => return Err(node.failure("asking for its standard", error)),
    };
    let detected = node.detect_standard().ok();
    let choice = standards::choose(
        wish,
        Offer {
            supported: input.map_or(u64::MAX, |it| it.std),
            current,
            detected,
        },
    );
    remarks.extend(choice.remark);
    if let Some(bits) = choice.set {
        node.set_standard(bits)
            .map_err(|error| refused_standard(node, input, bits, error))?;
    }
    let bits = node.standard().unwrap_or(current);
    Ok(InForce {
        bits: Some(bits),
        lines: standards::lines(bits),
        detects: detected.is_some(),
    })
}

fn refused_standard(
    node: &Node,
    input: Option<&v4l2_input>,
    bits: u64,
    error: Errno,
) -> SourceError {
    let wanted = standards::names(bits);
    if error != Errno::INVAL {
        return node.failure(&format!("setting the standard {wanted}"), error);
    }
    let offered = input.map_or_else(|| "others".to_owned(), |it| standards::names(it.std));
    SourceError::new(
        SourceErrorKind::Unsupported,
        format!(
            "{}: the standard {wanted} is not offered by its input; it takes {offered}",
            node.path().display()
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names() -> Vec<(u32, String)> {
        [(0, "S-Video 0"), (1, "Composite 1"), (2, "Composite 2")]
            .map(|(number, name)| (number, name.to_owned()))
            .into()
    }

    #[test]
    fn an_input_is_meant_by_number_name_or_the_part_only_it_has() {
        let meant = |wish| matching_input(&names(), wish);
        assert_eq!(meant("2"), Some(2));
        assert_eq!(meant("composite 1"), Some(1));
        assert_eq!(meant("s-video"), Some(0));
        assert_eq!(meant("composite"), None, "two have it");
        assert_eq!(meant("7"), None);
        assert_eq!(meant("HDMI"), None);
    }
}
