//! `watch --check`: the look before a transfer.

use crate::world::{Run, World};

fn looked_at(world: &World, scene: &str, more: &[&str]) -> Run {
    world.tape(scene, "525", "16");
    let tape = format!("{scene}-525.y4m");
    let mut words = vec!["watch", &tape, "--check", "14s", "--no-dashboard"];
    words.extend(more);
    world.ok(words)
}

/// The lines of a list, by its name.
fn list(run: &Run, name: &str) -> Vec<String> {
    let lines = run.stderr.lines();
    let lines = lines.filter_map(|line| line.strip_prefix("trueline:   "));
    let mut under = "";
    let mut found = Vec::new();
    for line in lines {
        let (head, text) = line.split_at_checked(12).unwrap_or((line, ""));
        if !head.trim().is_empty() {
            under = head.trim();
        }
        if under == name {
            found.push(text.to_owned());
        }
    }
    found
}

#[test]
fn a_chain_that_wobbles_is_to_be_put_right_first() {
    let world = World::new();
    let run = looked_at(&world, "jitter", &[]);
    assert!(
        run.stderr.contains("trueline: fix first: "),
        "{}",
        run.stderr
    );
    let fixes = list(&run, "fix");
    assert!(fixes.iter().any(|fix| fix.contains("Wobble")), "{fixes:?}");
    // a look keeps no pass
    assert!(!run.stderr.contains("pass kept in"), "{}", run.stderr);
    assert!(!world.path("data").exists());
}

#[test]
fn a_good_chain_has_nothing_to_be_fixed_and_what_was_not_seen_is_wanted() {
    let world = World::new();
    let run = looked_at(&world, "clean", &["--record", "look.pass"]);
    assert_eq!(list(&run, "fix"), Vec::<String>::new(), "{}", run.stderr);
    let found = list(&run, "found");
    assert!(
        found.iter().any(|found| found.starts_with("black ")),
        "{found:?}"
    );
    let is_ready = run.stderr.contains("trueline: ready: ");
    let cannot_tell = run.stderr.contains("trueline: cannot tell: ");
    assert!(is_ready || cannot_tell, "{}", run.stderr);
    assert_eq!(
        cannot_tell,
        !list(&run, "wanted").is_empty(),
        "{}",
        run.stderr
    );
    assert!(
        run.stderr.contains("pass kept in look.pass"),
        "{}",
        run.stderr
    );
}

#[test]
fn snow_and_a_length_that_makes_no_sense_tell_nothing() {
    let world = World::new();
    world.tape("clean", "525", "2");
    let short = world.ok(["watch", "clean-525.y4m", "--check", "1m", "--no-dashboard"]);
    assert!(
        short.stderr.contains("trueline: cannot tell: "),
        "{}",
        short.stderr
    );
    let wanted = list(&short, "wanted");
    assert!(wanted[0].starts_with("more programme"), "{wanted:?}");
    let check = |words: &[&str], expected: &str| {
        let run = world.run([&["watch", "clean-525.y4m", "--no-dashboard"], words].concat());
        assert_eq!(run.code, 2, "{words:?}: {}", run.stderr);
        assert!(run.stderr.contains(expected), "{words:?}: {}", run.stderr);
    };
    check(&["--check", "soon"], "--check 'soon'");
    check(&["--check", "0s"], "longer than nothing");
    check(&["--check", "1m", "--for", "1m"], "--for");
}
