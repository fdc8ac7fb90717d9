//! Limits as TOML, each with its reason.

use std::fmt::Write as _;

use super::{Among, Limit, Limits, NUMBERS, Side, Test};

impl Limits {
    /// The limits in force with their reasons, as a file that can be edited and given back.
    #[must_use]
    pub fn to_toml(&self) -> String {
        self.to_toml_noting(&[], |_| None)
    }

    /// The same with paragraphs before all and a note before the reason of some rows, as comments.
    #[must_use]
    pub fn to_toml_noting(
        &self,
        before: &[String],
        note: impl Fn(&Limit) -> Option<String>,
    ) -> String {
        let mut out = String::new();
        for text in before {
            print_comment(&mut out, text);
        }
        out.push_str(
            "# Alarm limits in force. Keep what you change, leave out the rest, and give the file back with --limits.\n\
             # An event begins when `hits` of the last `of` usable fields are beyond `enter`, is announced again when it\n\
             # has grown by `worse_step`, and is over after `clear_after` usable fields in a row back inside `leave`\n\
             # (twice as many each time it comes back within a minute). Rows marked \"learnable\" are set from a good tape of\n\
             # yours by --learn-limits PASS.\n",
        );
        for row in &self.rows {
            print_row(&mut out, row, note(row).as_deref());
        }
        let mut group = "";
        for number in NUMBERS {
            if number.group != group {
                group = number.group;
                let _ = write!(out, "\n[{group}]\n");
            }
            print_comment(&mut out, number.why);
            let value = (number.get)(&self.numbers);
            let _ = writeln!(out, "{} = {value:?}", number.key);
        }
        out
    }
}

fn print_row(out: &mut String, row: &Limit, note: Option<&str>) {
    let _ = write!(out, "\n[{}]\n", row.id);
    if let Some(note) = note {
        print_comment(out, note);
    }
    print_comment(out, row.why);
    match row.test {
        Test::Number(threshold) => {
            let side = match threshold.side {
                Side::Above => "above",
                Side::Below => "below",
                Side::Outside => "outside plus or minus",
                Side::Risen => "over its settled value by more than",
                Side::Moved => "away from its settled value by more than",
                Side::Rising => "over two minutes, above the best two by more than",
                Side::Sinking => "over two minutes, below the best two by more than",
                Side::Counted => "counted, more than",
            };
            let unit = match threshold.unit {
                "" => String::new(),
                unit => format!(" # {unit}"),
            };
            let learnable = if row.is_learnable() {
                " (learnable)"
            } else {
                ""
            };
            let _ = writeln!(out, "# {}, {side}:{learnable}", row.quantity);
            let _ = writeln!(out, "enter = {:?}{unit}", threshold.enter);
            let _ = writeln!(out, "leave = {:?}{unit}", threshold.leave);
            let _ = writeln!(out, "worse_step = {:?}{unit}", threshold.worse_step);
        }
        Test::Words(words) => {
            let _ = writeln!(out, "# {} says {}:", row.quantity, words.join(" or "));
        }
    }
    let _ = writeln!(out, "hits = {}", row.hits);
    let among = match row.among {
        Among::All => "usable fields",
        Among::SameParity => "usable fields of one parity",
    };
    let _ = writeln!(out, "of = {} # {among}", row.of);
    let _ = writeln!(out, "clear_after = {} # usable fields", row.clear_after);
    let _ = writeln!(out, "severity = \"{}\"", row.severity.word());
}

/// Breaks a reason into comment lines of a readable length.
fn print_comment(out: &mut String, text: &str) {
    const WIDTH: usize = 100;
    let mut line = String::from("#");
    for word in text.split_whitespace() {
        if line.len() + 1 + word.len() > WIDTH {
            let _ = writeln!(out, "{line}");
            line.truncate(1);
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(out, "{line}");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_comments_whatever_they_hold() {
        let limits = Limits::default();
        let text = limits.to_toml_noting(&["reel 2\n[tear]\nenter = 9".to_owned()], |row| {
            (row.id == "wobble").then(|| "from\r\nreel 2".to_owned())
        });
        assert!(text.starts_with("# reel 2 [tear] enter = 9\n#"), "{text}");
        assert!(text.contains("[wobble]\n# from reel 2\n# half"), "{text}");
        assert_eq!(Limits::from_toml(&text).ok(), Some(limits));
    }

    #[test]
    fn the_print_says_why_beside_every_number() {
        let text = Limits::default().to_toml();
        assert!(text.contains("[wobble]\n# half a sample (37 ns)"), "{text}");
        assert!(text.contains("slip_ms = 40.0"));
        assert!(text.lines().all(|line| line.len() <= 110));
        assert!(text.lines().all(|line| !line.ends_with(' ')));
    }
}
