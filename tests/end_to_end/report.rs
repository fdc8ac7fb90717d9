//! `trueline report`: passes of a simulated tape as a page, read back in a browser and compared with other outputs.

use std::fs;
use std::path::Path;

use serde_json::Value;
use trueline::record::Pass;

use crate::browser::{Scheme, Window, console, look, photograph, print};
use crate::world::World;

/// What nobody should write as the name of a tape.
const HOSTILE: &str = "Ferry <script>window.executed = 1</script> \"><img src=x onerror=\"window.executed = 2\"> & Street";

/// A pass of a scene, measured by the binary.
fn pass(world: &World, scene: &str, seconds: &str, more: &[&str]) -> Value {
    world.tape(scene, "525", seconds);
    let tape = format!("{scene}-525.y4m");
    let record = format!("{scene}.pass");
    let mut words = vec!["scan", &tape, "--record", &record, "--json"];
    words.extend(more);
    world.ok(words).json()
}

fn list(seen: &Value, key: &str) -> Vec<String> {
    let list = seen[key].as_array().expect("a list").iter();
    list.map(|one| one.as_str().unwrap_or_default().to_owned())
        .collect()
}

/// Insists on what every page must hold in every window.
pub(crate) fn check_sound(seen: &Value) {
    assert_eq!(list(seen, "violations"), Vec::<String>::new());
    assert_eq!(list(seen, "problems"), Vec::<String>::new());
    assert_eq!(list(seen, "handlers"), Vec::<String>::new());
    assert_eq!(seen["scripts"], 0);
    assert!(seen["executed"].is_null(), "{}", seen["executed"]);
    assert_eq!(
        seen["widths"][0], seen["widths"][1],
        "the page is wider than its window"
    );
    let smallest = seen["smallest"].as_f64().expect("a size");
    assert!(smallest >= 13.0, "letters of {smallest} px");
    let headings = seen["headings"].as_array().expect("headings");
    let levels: Vec<i64> = headings
        .iter()
        .filter_map(|heading| heading[0].as_i64())
        .collect();
    assert_eq!(levels.iter().filter(|level| **level == 1).count(), 1);
    assert!(
        levels.windows(2).all(|pair| pair[1] <= pair[0] + 1),
        "{levels:?}"
    );
}

/// The fields of a pass as numbers, of one column, within its programme.
fn exported(world: &World, pass: &str, column: &str, programme: &Value) -> Vec<f64> {
    let rows = world
        .ok(["export", pass, "fields", "--as", "jsonl", "-o", "-"])
        .json_lines();
    let within = |row: &Value| {
        let field = row["field"].as_u64().expect("a number");
        programme.as_array().expect("spans").iter().any(|span| {
            let end = span["end_field"].as_u64().expect("closed");
            (span["start_field"].as_u64().expect("a number")..=end).contains(&field)
        })
    };
    let rows = rows.iter().filter(|row| within(row));
    rows.filter_map(|row| row[column].as_f64()).collect()
}

fn figure(seen: &Value, quantity: &str, figure: &str) -> f64 {
    let text = seen["quantities"][quantity][figure]
        .as_str()
        .unwrap_or_else(|| panic!("{quantity} {figure}"));
    text.parse()
        .unwrap_or_else(|error| panic!("{quantity} {figure} {text}: {error}"))
}

#[test]
fn a_page_says_what_the_pass_says() {
    let world = World::new();
    let summary = pass(
        &world,
        "jitter",
        "12",
        &[
            "--tape",
            HOSTILE,
            "--player",
            "player <b>A</b>",
            "--set",
            "sharpness=<i>3</i>",
            "--start-timecode",
            "01:00:00;00",
        ],
    );
    world.ok(["report", "jitter.pass", "-o", "page.html"]);
    let page = world.path("page.html");
    let text = fs::read_to_string(&page).expect("the page");
    for reach in [
        "http:", "https:", "url(", "@import", "<script", "<link", "<iframe",
    ] {
        assert!(!text.contains(reach), "{reach}");
    }
    // pictures are in the page itself
    assert_eq!(
        text.matches("<img").count(),
        text.matches("<img src=\"data:image/jpeg;base64,").count()
    );
    assert_eq!(console(&page), Vec::<String>::new());

    let seen = look(&page, Window::Wide, Scheme::Light);
    check_sound(&seen);
    assert!(
        seen["title"]
            .as_str()
            .is_some_and(|title| title.starts_with(HOSTILE))
    );
    assert!(list(&seen, "facts").contains(&String::from("player <b>A</b>")));
    assert!(list(&seen, "facts").contains(&String::from("<i>3</i>")));
    assert_eq!(
        list(&seen, "verdict"),
        [summary["verdict"].as_str().expect("a word")]
    );
    for (group, word) in summary["groups"].as_object().expect("groups") {
        let shown = seen["groups"][group].as_str().expect("a word");
        assert!(
            shown.ends_with(word.as_str().expect("a word")),
            "{group}: {shown} for {word}"
        );
    }
    let mut reasons: Vec<String> = list(&summary, "reasons");
    let mut shown = list(&seen, "sentences");
    reasons.sort();
    shown.sort();
    assert_eq!(shown, reasons);

    let error = "line_timing.error_rms_ns";
    let mut values = exported(&world, "jitter.pass", error, &summary["programme"]);
    values.sort_by(f64::total_cmp);
    let (median, worst) = (values[values.len() / 2], values[values.len() - 1]);
    // figures are within 0.5 %, and of a tenth of a nanosecond
    assert!(
        (figure(&seen, error, "median") - median).abs() <= 0.005 * median + 0.2,
        "{median}"
    );
    assert!(
        (figure(&seen, error, "worst") - worst).abs() <= 0.1,
        "{worst}"
    );
    let black = exported(
        &world,
        "jitter.pass",
        "levels.black_ire",
        &summary["programme"],
    );
    let lowest_highest = black.iter().fold((f64::MAX, f64::MIN), |(low, high), &v| {
        (low.min(v), high.max(v))
    });
    let shown = figure(&seen, "levels.black_ire", "median");
    assert!(
        (lowest_highest.0 - 0.1..=lowest_highest.1 + 0.1).contains(&shown),
        "{shown} {lowest_highest:?}"
    );

    check_events(&world, "jitter.pass", &seen);
    check_pictures(&world, "jitter.pass", &seen);
    let charts = list(&seen, "charts");
    assert!(charts.iter().any(|id| id == error), "{charts:?}");
    assert_eq!(seen["drawn"].as_u64(), Some(charts.len() as u64));
    assert_eq!(seen["minutes"], 5);

    let dark = look(&page, Window::Wide, Scheme::Dark);
    assert_eq!(dark["dark"], true);
    check_sound(&dark);
    check_sound(&look(&page, Window::Narrow, Scheme::Light));
    check_sound(&look(&page, Window::Narrow, Scheme::Dark));
    take_pictures(&page, "pass");
}

/// Every event of the export stands in the page's table.
fn check_events(world: &World, pass: &str, seen: &Value) {
    let events = world
        .ok(["export", pass, "events", "--as", "jsonl", "-o", "-"])
        .json_lines();
    assert!(!events.is_empty());
    for event in &events {
        let row = &seen["events"][event["id"].to_string()];
        let kind = event["kind"].as_str().expect("a word").replace('_', " ");
        assert_eq!(row["kind"].as_str(), Some(&*kind), "{event}");
        assert_eq!(row["start_timecode"], event["start_timecode"]);
        assert_eq!(row["note"].as_str(), event["note"].as_str().map(str::trim));
    }
}

/// The page's pictures are those of the pass, decoded by the browser, and each says what it shows.
fn check_pictures(world: &World, pass: &str, seen: &Value) {
    let pass = Pass::open(&world.path(pass)).expect("it was recorded");
    let events = pass.events().expect("readable");
    let kept = pass.exhibited().expect("readable");
    let pictures = seen["pictures"].as_array().expect("a list");
    assert_eq!(
        pictures.len(),
        kept.len(),
        "all are few enough for the page"
    );
    assert!(!kept.is_empty());
    for picture in pictures {
        let id = picture["event"].as_str().expect("a number");
        let event = events.iter().find(|event| event.id.0.to_string() == id);
        let event = event.expect("it is told of");
        // half of 720, all rows of a field
        assert_eq!(
            (&picture["width"], &picture["height"]),
            (&360.into(), &240.into())
        );
        let alt = picture["alt"].as_str().expect("a text");
        assert!(alt.contains(&event.start_timecode.to_string()), "{alt}");
    }
}

/// Pictures for people: `target/tmp/report`.
fn take_pictures(page: &Path, name: &str) {
    let pictures = [
        photograph(
            page,
            Window::Wide,
            Scheme::Light,
            6_000,
            &format!("{name}-1280-light.png"),
        ),
        photograph(
            page,
            Window::Wide,
            Scheme::Dark,
            6_000,
            &format!("{name}-1280-dark.png"),
        ),
        photograph(
            page,
            Window::Narrow,
            Scheme::Light,
            9_000,
            &format!("{name}-400-light.png"),
        ),
        photograph(
            page,
            Window::Narrow,
            Scheme::Dark,
            9_000,
            &format!("{name}-400-dark.png"),
        ),
        print(page, &format!("{name}-a4.pdf")),
    ];
    for picture in pictures {
        let bytes = fs::metadata(&picture).map_or(0, |found| found.len());
        assert!(bytes > 10_000, "{}: {bytes} bytes", picture.display());
    }
}

#[test]
fn several_passes_make_one_page_with_an_overview() {
    let world = World::new();
    let clean = pass(
        &world,
        "clean",
        "6",
        &["--tape", "Ferry Street Film Club, reel 1"],
    );
    let lossy = pass(&world, "losses", "6", &[]);
    world.ok(["report", "clean.pass", "losses.pass", "-o", "batch.html"]);
    let seen = look(&world.path("batch.html"), Window::Wide, Scheme::Light);
    check_sound(&seen);
    let expected = [&clean, &lossy].map(|summary| summary["verdict"].as_str().expect("a word"));
    assert_eq!(list(&seen, "verdict"), expected);
    let headings = seen["headings"].as_array().expect("headings");
    let names: Vec<&str> = headings
        .iter()
        .filter_map(|heading| heading[1].as_str())
        .collect();
    assert_eq!(names[0], "2 passes");
    assert_eq!(names[1], "Overview");
    assert!(
        names.contains(&"Ferry Street Film Club, reel 1") && names.contains(&"losses.pass"),
        "{names:?}"
    );
    check_sound(&look(
        &world.path("batch.html"),
        Window::Narrow,
        Scheme::Light,
    ));
}

#[test]
fn a_page_goes_to_stdout_and_replaces_a_file_whole() {
    let world = World::new();
    pass(&world, "clean", "3", &[]);
    let run = world.ok(["report", "clean.pass", "-o", "-"]);
    assert!(run.stdout.starts_with("<!DOCTYPE html>") && run.stdout.ends_with("</html>\n"));
    world.write("old.html", "old");
    world.ok(["report", "clean.pass", "-o", "old.html"]);
    assert_eq!(
        fs::read_to_string(world.path("old.html")).expect("the page"),
        run.stdout
    );
    let strays = fs::read_dir(world.path("")).expect("the world").flatten();
    let strays = strays.filter(|entry| entry.file_name().to_string_lossy().ends_with(".part"));
    assert_eq!(strays.count(), 0);
}

#[test]
fn what_cannot_be_reported_on_is_said() {
    let world = World::new();
    pass(&world, "clean", "2", &[]);
    world.write("diary.txt", "Dear diary,");
    fs::create_dir(world.path("folder")).expect("a folder");
    let check = |words: &[&str], code: i32, expected: &str| {
        let run = world.run([&["report"], words].concat());
        assert_eq!(run.code, code, "{words:?}: {}", run.stderr);
        assert!(run.stderr.contains(expected), "{words:?}: {}", run.stderr);
        assert_eq!(run.stdout, "");
    };
    check(&["none.pass", "-o", "a.html"], 1, "there is no such file");
    check(&["diary.txt", "-o", "a.html"], 1, "is not a pass file");
    check(
        &["clean.pass", "diary.txt", "-o", "-"],
        1,
        "is not a pass file",
    );
    check(&["folder", "-o", "a.html"], 1, "it is a directory");
    check(
        &["clean.pass", "-o", "folder"],
        1,
        "it is a directory; name a file in it",
    );
    check(
        &["clean.pass", "-o", "clean.pass"],
        1,
        "that is the pass itself",
    );
    check(
        &["clean.pass", "-o", "nowhere/a.html"],
        1,
        "cannot write the report to 'nowhere/a.html'",
    );
    check(&["clean.pass"], 2, "--output");
    check(&["-o", "a.html"], 2, "PASS");
    assert!(!world.path("a.html").exists());
}
