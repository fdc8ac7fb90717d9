//! Several files scanned in one go: a table, a pass each, exit codes, and no work done twice.

use std::fs;
use std::path::PathBuf;

use crate::world::{Run, World};

/// A directory with a steady tape, a wobbling one, one cut short, and what is no video.
fn reels(world: &World) -> PathBuf {
    let directory = world.path("reels");
    fs::create_dir_all(directory.join("within")).expect("room");
    for (scene, seconds, name) in [("clean", "0.4", "a.y4m"), ("jitter", "2", "b.y4m")] {
        let file = world.tape(scene, "625", seconds);
        fs::rename(file, directory.join(name)).expect("it can be moved");
    }
    let whole = fs::read(directory.join("a.y4m")).expect("the tape");
    fs::write(directory.join("c.y4m"), &whole[..whole.len() / 2 + 1000]).expect("room");
    fs::write(directory.join("notes.txt"), "Low tide.").expect("room");
    fs::write(directory.join("within/d.y4m"), "not looked into").expect("room");
    directory
}

/// The row of a file in the table.
fn row<'a>(run: &'a Run, file: &str) -> &'a str {
    let mut lines = run.stderr.lines();
    let found = lines.find(|line| line.starts_with(file));
    found.unwrap_or_else(|| panic!("no {file} in: {}", run.stderr))
}

fn passes(world: &World, directory: &str) -> Vec<String> {
    let entries = fs::read_dir(world.path(directory)).expect("passes are kept");
    let names = entries
        .flatten()
        .map(|it| it.file_name().to_string_lossy().into_owned());
    let mut names: Vec<String> = names.collect();
    names.sort();
    names
}

#[test]
fn a_directory_is_scanned_file_by_file_and_a_bad_one_stops_nothing() {
    let world = World::new();
    reels(&world);
    let run = world.run(["scan", "reels", "--record", "passes", "--json"]);
    assert_eq!(run.code, 1, "{}", run.stderr);
    let lines = run.json_lines();
    let said: Vec<(&str, &str)> = lines
        .iter()
        .map(|line| {
            (
                line["type"].as_str().expect("a type"),
                line["source"].as_str().expect("a source"),
            )
        })
        .collect();
    let expected = [
        ("summary", "reels/a.y4m"),
        ("summary", "reels/b.y4m"),
        ("failure", "reels/c.y4m"),
    ];
    assert_eq!(said, expected);
    assert!(
        lines[2]["error"]
            .as_str()
            .is_some_and(|error| error.contains("c.y4m"))
    );
    for (line, fields) in lines.iter().zip([20, 100]) {
        assert_eq!(line["fields"], fields);
    }
    let wobbling = row(&run, "reels/b.y4m");
    assert!(
        wobbling.contains("2.0 s  unfit ") && wobbling.contains("Wobble"),
        "{wobbling}"
    );
    assert!(
        row(&run, "reels/c.y4m").contains("failed"),
        "{}",
        run.stderr
    );
    assert!(run.stderr.contains("3 files: "), "{}", run.stderr);
    assert!(!run.stderr.contains("notes.txt") && !run.stderr.contains("d.y4m"));
    let verdicts: Vec<usize> = ["reels/a.y4m", "reels/b.y4m", "reels/c.y4m"]
        .iter()
        .zip([lines[0]["verdict"].as_str(), Some("unfit"), Some("failed")])
        .map(|(file, word)| {
            row(&run, file)
                .find(word.expect("a word"))
                .expect("its word")
        })
        .collect();
    assert!(
        verdicts.iter().all(|at| *at == verdicts[0]),
        "{}",
        run.stderr
    );
    assert_eq!(
        passes(&world, "passes"),
        ["a.y4m.pass", "b.y4m.pass", "c.y4m.pass"]
    );
}

#[test]
fn a_file_that_was_scanned_is_not_scanned_again_unless_something_differs() {
    let world = World::new();
    let directory = reels(&world);
    fs::remove_file(directory.join("c.y4m")).expect("it is there");
    let scan = |more: &[&str]| {
        let words = [
            "scan",
            "reels/a.y4m",
            "reels/b.y4m",
            "--record",
            "passes",
            "--json",
        ];
        world.run([&words[..], more].concat())
    };
    let again = |run: &Run| {
        ["reels/a.y4m", "reels/b.y4m"].map(|file| row(run, file).contains("already scanned"))
    };
    let first = scan(&[]);
    assert_eq!(
        (first.code, again(&first)),
        (0, [false; 2]),
        "{}",
        first.stderr
    );
    let second = scan(&[]);
    assert_eq!(
        (second.code, again(&second)),
        (0, [true; 2]),
        "{}",
        second.stderr
    );
    assert_eq!(second.stdout, first.stdout, "the summaries are the same");
    assert_eq!(passes(&world, "passes").len(), 2);

    let strict = scan(&["--strict"]);
    assert_eq!(
        (strict.code, again(&strict)),
        (3, [true; 2]),
        "{}",
        strict.stderr
    );
    let other = scan(&["--standard", "625"]);
    assert_eq!(again(&other), [false; 2], "{}", other.stderr);
    assert_eq!(passes(&world, "passes").len(), 4);
    world.write("limits.toml", "[wobble]\nenter = 400.0\nleave = 300.0\n");
    let limits = scan(&["--limits", "limits.toml"]);
    assert_eq!(limits.code, 0, "{}", limits.stderr);
    assert_eq!(again(&limits), [false; 2], "{}", limits.stderr);

    // One frame fewer in one of them, and the other under a new name.
    let whole = fs::read(directory.join("b.y4m")).expect("the tape");
    fs::write(
        directory.join("b.y4m"),
        &whole[..whole.len() - (6 + 720 * 576 * 2)],
    )
    .expect("room");
    let changed = scan(&[]);
    assert_eq!(again(&changed), [true, false], "{}", changed.stderr);
    fs::rename(directory.join("a.y4m"), directory.join("moved.y4m")).expect("it can be moved");
    let moved = world.ok(["scan", "reels", "--record", "passes", "--json"]);
    assert!(
        row(&moved, "reels/moved.y4m").contains("already scanned"),
        "{}",
        moved.stderr
    );
    assert_eq!(moved.json_lines()[1]["source"], "reels/moved.y4m");
}

#[test]
fn a_single_scan_counts_and_one_without_a_pass_does_not() {
    let world = World::new();
    reels(&world);
    world.ok(["scan", "reels/a.y4m"]);
    world.ok(["scan", "reels/b.y4m", "--no-record"]);
    let run = world.ok(["scan", "reels/a.y4m", "reels/b.y4m"]);
    assert!(
        row(&run, "reels/a.y4m").contains("already scanned"),
        "{}",
        run.stderr
    );
    assert!(
        !row(&run, "reels/b.y4m").contains("already scanned"),
        "{}",
        run.stderr
    );
    assert_eq!(passes(&world, "data/trueline/passes").len(), 2);
    let none = world.run(["scan", "reels/within", "--no-record"]);
    assert_eq!(none.code, 1, "within/d.y4m is no Y4M: {}", none.stderr);
    fs::create_dir(world.path("nothing")).expect("room");
    let nothing = world.run(["scan", "nothing"]);
    assert_eq!(nothing.code, 1);
    assert!(
        nothing.stderr.contains("no video file"),
        "{}",
        nothing.stderr
    );
    let mixed = world.run(["scan", "reels/a.y4m", "tape"]);
    assert_eq!(mixed.code, 2, "{}", mixed.stderr);
}
