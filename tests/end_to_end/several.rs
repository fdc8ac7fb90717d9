//! Several sources in one process: lines that say whose they are, a pass each, rows on the dashboard.

use crate::terminal::{Terminal, as_it_was};
use crate::world::World;

/// Two files as sources: they wait, so that what is told of them does not depend on the machine.
fn reels(world: &World) {
    world.tape("clean", "625", "2");
    world.tape("jitter", "625", "3");
}

const CLEAN: &str = "clean-625.y4m";
const JITTER: &str = "jitter-625.y4m";

#[test]
fn each_of_several_sources_has_its_lines_and_its_pass() {
    let world = World::new();
    reels(&world);
    let words = [
        "watch",
        CLEAN,
        JITTER,
        "--no-dashboard",
        "--record",
        "two.pass",
    ];
    let run = world.ok(words);
    let of = |name: &str| -> Vec<&str> {
        let whose = format!("{name}  ");
        let lines = run.stdout.lines();
        lines.filter(|line| line.starts_with(&whose)).collect()
    };
    let (clean, jitter) = (of(CLEAN), of(JITTER));
    let all = run.stdout.lines().count();
    assert_eq!(clean.len() + jitter.len(), all, "{}", run.stdout);
    let tells = |lines: &[&str]| lines.iter().any(|line| line.contains("alarm   wobble"));
    assert!(tells(&jitter) && !tells(&clean), "{}", run.stdout);
    for (pass, source, fields) in [("two-1.pass", CLEAN, 100), ("two-2.pass", JITTER, 150)] {
        assert!(run.stderr.contains(pass), "{}", run.stderr);
        let said = format!("{source}: {fields} fields");
        assert!(run.stderr.contains(&said), "{}", run.stderr);
        let table = world.ok(["export", pass, "fields", "--as", "csv", "-o", "-"]);
        assert_eq!(table.stdout.lines().count(), 1 + fields, "{pass}");
    }
    let again = world.run(words);
    assert_eq!(again.code, 1);
    let said = "two-1.pass exists already";
    assert!(again.stderr.contains(said), "{}", again.stderr);
}

#[test]
fn passes_of_several_sources_that_begin_together_have_names_of_their_own() {
    let world = World::new();
    reels(&world);
    world.ok(["watch", CLEAN, JITTER, "--no-dashboard"]);
    let passes = std::fs::read_dir(world.path("data/trueline/passes")).expect("passes are kept");
    let names: Vec<_> = passes.flatten().map(|it| it.file_name()).collect();
    // No log is left beside a closed pass.
    assert_eq!(names.len(), 2, "{names:?}");
}

#[test]
fn a_source_that_is_named_twice_or_not_there_starts_nothing() {
    let world = World::new();
    let twice = world.run([
        "watch",
        "tape:clean",
        "tape:jitter",
        "tape:clean",
        "--record",
        "a.pass",
    ]);
    assert_eq!(twice.code, 2);
    assert!(
        twice.stderr.contains("name each source once"),
        "{}",
        twice.stderr
    );
    let missing = world.run(["watch", "tape:clean", "no-such.y4m", "--record", "a.pass"]);
    assert_eq!(missing.code, 1);
    assert!(missing.stderr.contains("no-such.y4m"), "{}", missing.stderr);
    for name in ["a.pass", "a-1.pass", "a-2.pass", "a-3.pass"] {
        assert!(!world.path(name).exists(), "{name}");
    }
}

#[test]
fn a_source_that_ends_leaves_the_others_playing() {
    let world = World::new();
    let file = world.tape("clean", "625", "1");
    let run = world.ok([
        "watch",
        file.to_str().expect("a plain path"),
        "tape:jitter",
        "--no-dashboard",
        "--no-record",
        "--for",
        "4s",
    ]);
    assert!(run.stderr.contains("50 fields"), "{}", run.stderr);
    assert!(
        run.stdout.contains("tape:jitter  00:00:0"),
        "{}",
        run.stdout
    );
}

#[test]
fn the_dashboard_shows_rows_first_and_the_full_view_of_one_a_key_away() {
    let world = World::new();
    let mut terminal = Terminal::run(
        &world,
        "$TRUELINE watch tape:clean tape:jitter --for 120s --record both.pass",
    );
    terminal.wait_for("tape:jitter");
    terminal.press("2");
    // Only what is drawn onto empty cells comes whole.
    terminal.wait_for("standing");
    terminal.press("qy");
    let after = terminal.afterwards();
    as_it_was(&after, 0);
    assert!(
        after.contains("both-1.pass") && after.contains("both-2.pass"),
        "{after}"
    );
}
