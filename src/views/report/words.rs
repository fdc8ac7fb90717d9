//! Words, symbols and figures of the page.
//!
//! Symbols are those of the dashboard: the more corners, the worse; none stands without its word.
//!
//! Does not know: where on the page anything goes.

use serde::Serialize;

use crate::limits::{Kind, Limit, Severity, Side, Test};
use crate::record::Verdict;
use crate::units::Seconds;

/// A verdict as it is shown: class, symbol and word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
pub(super) struct Word {
    /// Class of the style sheet.
    pub(super) tone: &'static str,
    pub(super) symbol: &'static str,
    pub(super) text: &'static str,
}

/// A verdict as it is shown.
pub(super) fn verdict(verdict: Verdict) -> Word {
    let (tone, symbol) = match verdict {
        Verdict::Clean => ("calm", "●"),
        Verdict::Usable => ("look", "▲"),
        Verdict::Unfit => ("stop", "■"),
        Verdict::Undecided => ("unsure", "?"),
    };
    Word {
        tone,
        symbol,
        text: verdict.word(),
    }
}

/// How loud an event was, as it is shown.
pub(super) fn severity(severity: Severity) -> Word {
    match severity {
        Severity::Alarm => Word {
            tone: "stop",
            symbol: "■",
            text: severity.word(),
        },
        Severity::Notice => Word {
            tone: "look",
            symbol: "△",
            text: severity.word(),
        },
    }
}

/// A kind of event in words.
pub(super) fn kind(kind: Kind) -> String {
    kind.word().replace('_', " ")
}

/// With a capital, as it begins a heading.
pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// A number with the decimals that its step warrants, three at most; no "-0".
pub(super) fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.*}", decimals.min(3));
    let is_zero = text.bytes().all(|byte| matches!(byte, b'-' | b'0' | b'.'));
    if is_zero {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// A number with its unit, where it has one.
pub(super) fn with_unit(number: &str, unit: &str) -> String {
    match unit {
        "" => number.to_owned(),
        "°" => format!("{number}°"),
        unit => format!("{number}\u{a0}{unit}"),
    }
}

/// `1:02:45`.
pub(super) fn clock(time: Seconds) -> String {
    let whole = time.0.max(0.0).round() as u64;
    format!("{}:{:02}:{:02}", whole / 3600, whole / 60 % 60, whole % 60)
}

/// The threshold of a limit as it is read: `above 37 ns`.
pub(super) fn threshold(limit: &Limit) -> String {
    match limit.test {
        Test::Words(words) => words.join(", ").replace('_', " "),
        Test::Number(threshold) => {
            let amount = with_unit(&short(threshold.enter), threshold.unit);
            match threshold.side {
                Side::Above => format!("above {amount}"),
                Side::Below => format!("below {amount}"),
                Side::Outside => format!("beyond ±{amount}"),
                Side::Risen => format!("{amount} over its settled value"),
                Side::Moved => format!("{amount} from its settled value"),
                Side::Rising => format!("{amount} over its best two minutes"),
                Side::Sinking => format!("{amount} under its best two minutes"),
                Side::Counted => String::from("any"),
            }
        }
    }
}

/// A number without needless zeros.
pub(super) fn short(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_the_decimals_of_their_step_and_no_minus_zero() {
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(-0.06, 1), "-0.1");
        assert_eq!(number(1.0, 6), "1.000");
        assert_eq!(short(37.0), "37");
        assert_eq!(short(25.9), "25.9");
        assert_eq!(with_unit("3", "ns"), "3\u{a0}ns");
    }

    #[test]
    fn every_verdict_has_a_symbol_of_its_own() {
        let all = [
            Verdict::Clean,
            Verdict::Usable,
            Verdict::Undecided,
            Verdict::Unfit,
        ];
        let mut symbols: Vec<&str> = all.map(|word| verdict(word).symbol).to_vec();
        symbols.sort_unstable();
        symbols.dedup();
        assert_eq!(symbols.len(), all.len());
    }
}
