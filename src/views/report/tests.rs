//! The page of scripted passes.

use super::*;
use crate::alarms::script::{blank, clock, healthy, wobbling};
use crate::limits::{Kind, Limits, Severity};
use crate::measures::{Readings, sync::State};
use crate::record::played::{End, Stretch, stored};
use crate::record::testing::head;

/// What nobody should write as a name.
const HOSTILE: &str = "</title><script>alert('\u{1F4FC}')</script>\"'><b onclick=x>";

fn a_head() -> PassHead {
    PassHead {
        start: clock().start,
        limits: Limits::default().to_toml(),
        ..head(false)
    }
}

fn reported(head: PassHead, stretches: &[Stretch<'_>], end: End) -> Reported {
    let (_scratch, pass, _) = stored(&head, stretches, end);
    Reported {
        path: PathBuf::from("reel.pass"),
        head,
        closed_at: pass.closed_at().map(str::to_owned),
        found: pass.found().expect("settings"),
        finished: Finished::of(&pass).expect("a pass that can be read"),
        pictures: Vec::new(),
    }
}

fn text(passes: &[Reported]) -> String {
    page(passes).expect("the templates ask for what is there")
}

fn wobble(field: u64) -> Readings {
    wobbling(field, 60.0)
}

#[test]
fn names_and_notes_of_others_are_never_markup() {
    let mut head = a_head();
    let words = [
        &mut head.tape,
        &mut head.chain,
        &mut head.player,
        &mut head.pass_box,
    ];
    for word in words {
        *word = Some(HOSTILE.to_owned());
    }
    head.settings = vec![(HOSTILE.to_owned(), HOSTILE.to_owned())];
    head.source.name = HOSTILE.to_owned();
    head.source.kind = HOSTILE.to_owned();
    for pairs in [&mut head.source.details, &mut head.source.controls] {
        *pairs = vec![(HOSTILE.to_owned(), HOSTILE.to_owned())];
    }
    head.source.remarks = vec![HOSTILE.to_owned()];
    let mut pass = reported(
        head,
        &[(900, &healthy), (300, &wobble), (900, &healthy)],
        End::Closed,
    );
    pass.path = PathBuf::from("a<script>.pass");
    pass.closed_at = Some(HOSTILE.to_owned());
    pass.found = vec![(HOSTILE.to_owned(), HOSTILE.to_owned())];
    for event in &mut pass.finished.events {
        event.note = HOSTILE.to_owned();
    }
    let page = text(&[pass]);
    assert!(!page.contains("<script"), "a script came through");
    assert!(!page.contains("<b onclick"), "an element came through");
    assert_eq!(
        page.matches("</title>").count(),
        page.matches("<title").count()
    );
    assert!(page.matches("&lt;script&gt;alert(").count() > 15);
}

#[test]
fn a_page_needs_nothing_else() {
    let page = text(&[reported(a_head(), &[(900, &healthy)], End::Closed)]);
    for reach in [
        "http:", "https:", "src=", "url(", "@import", "<script", "<link",
    ] {
        assert!(!page.contains(reach), "{reach}");
    }
    assert!(page.starts_with("<!DOCTYPE html>\n<html lang=\"en\">"));
}

#[test]
fn a_pass_of_every_kind_has_a_page() {
    let snow = |field| blank(field, State::Snow);
    let mut bare = a_head();
    (
        bare.tape,
        bare.chain,
        bare.player,
        bare.pass_box,
        bare.speed,
    ) = (None, None, None, None, None);
    (bare.standard, bare.sample_rate, bare.keep_lines) = (None, None, true);
    let cases: [(&[Stretch<'_>], End, &str); 5] = [
        (&[], End::CutShort, "Verdict: undecided"),
        (&[(400, &snow)], End::Closed, "None was found."),
        (
            &[(4_000, &healthy)],
            End::Closed,
            "Nothing: no fault was found",
        ),
        (
            &[(4_000, &healthy), (400, &wobble)],
            End::CutShort,
            "The pass holds no summary",
        ),
        (&[(1, &healthy)], End::Closed, "Verdict: "),
    ];
    for (stretches, end, expected) in cases {
        for head in [a_head(), bare.clone()] {
            let page = text(&[reported(head, stretches, end)]);
            assert!(page.contains(expected), "{expected}");
            assert!(
                !page.contains("NaN") && !page.contains(">inf"),
                "{expected}"
            );
        }
    }
}

#[test]
fn thousands_of_events_are_bounded_and_those_left_out_are_counted() {
    let mut pass = reported(
        a_head(),
        &[(900, &healthy), (300, &wobble), (900, &healthy)],
        End::Closed,
    );
    let events = &mut pass.finished.events;
    let alarm = events.iter().find(|event| event.kind == Kind::Wobble);
    let mut notice = alarm.expect("an alarm").clone();
    let own = format!("data-event=\"{}\"", notice.id.0);
    notice.severity = Severity::Notice;
    for id in 1_000..6_000 {
        notice.id.0 = id;
        events.push(notice.clone());
    }
    let all = events.len();
    let page = text(&[pass]);
    let listed = page.matches("data-event=").count();
    assert_eq!(listed, tables::MOST_EVENTS);
    assert!(page.contains(&format!("{} are left out", all - listed)));
    assert!(page.contains(&own), "alarms come before notices");
}

#[test]
fn several_passes_begin_with_an_overview() {
    let pass = || reported(a_head(), &[(900, &healthy)], End::Closed);
    let page = text(&[pass(), pass(), pass()]);
    assert!(page.contains("<h1>3 passes</h1>"));
    assert_eq!(page.matches("data-pass=").count(), 3);
    assert_eq!(page.matches("<article").count(), 3);
    assert_eq!(page.matches("<h1").count(), 1);
    let ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .filter_map(|rest| rest.split('"').next())
        .collect();
    let mut once = ids.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), ids.len(), "an id stands twice");
    assert!(!text(&[pass()]).contains("Overview"));
}

#[test]
fn a_place_that_is_a_pass_or_a_directory_is_refused() {
    let scratch = tempfile::tempdir().expect("a temporary directory");
    let pass = scratch.path().join("a.pass");
    fs::write(&pass, "a pass").expect("a file");
    let refused = check_place(scratch.path(), &[]);
    assert!(matches!(refused, Err(ReportError::Directory(_))));
    let refused = check_place(&pass, std::slice::from_ref(&pass));
    assert!(matches!(refused, Err(ReportError::OntoPass(_))));
    assert!(check_place(&scratch.path().join("page.html"), &[pass]).is_ok());
}
