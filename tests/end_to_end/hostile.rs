//! Files, names and places of somebody else's making: what they say reaches no terminal, what they point to is not written over.

use std::fs;
use std::path::Path;

use crate::world::{Run, World};

/// Wipes the screen, names the window, turns text around, and looks like a second line.
const HOSTILE: &str = "reel\u{1b}[2J\u{1b}]0;owned\u{7}\u{202e}\u{9b}31m\ntrueline: clean<script>";

/// What must not reach a terminal or a page.
const ACTING: [char; 5] = ['\u{1b}', '\u{7}', '\u{202e}', '\u{9b}', '\r'];

fn check_fit(what: &str, text: &str) {
    for acting in ACTING {
        assert!(!text.contains(acting), "{what} holds {acting:?}: {text:?}");
    }
}

fn a_pass(world: &World) {
    world.tape("jitter", "625", "2");
    world.ok(["scan", "jitter-625.y4m", "--record", "a.pass"]);
}

fn change(world: &World, pass: &str, script: &str) {
    let connection = rusqlite::Connection::open(world.path(pass)).expect("the pass");
    connection.execute_batch(script).expect("a change");
}

#[test]
fn a_hostile_name_reaches_neither_the_terminal_nor_the_page_as_it_is() {
    let world = World::new();
    let tape = world.tape("jitter", "625", "2");
    let name = format!("{}.y4m", HOSTILE.replace('/', ""));
    fs::rename(tape, world.path(&name)).expect("a name is a name");
    let scanned = world.run(["scan", &name, "--record", "a.pass", "--tape", HOSTILE]);
    assert_eq!(scanned.code, 0, "{}", scanned.stderr);
    check_fit("scan", &scanned.stderr);
    assert!(
        scanned.stderr.contains("reel\u{fffd}[2J"),
        "{}",
        scanned.stderr
    );
    let watched = world.run(["watch", &name, "--no-dashboard", "--no-record"]);
    assert_eq!(watched.code, 0, "{}", watched.stderr);
    check_fit("lines of events", &watched.stdout);
    check_fit("watch", &watched.stderr);
    assert!(watched.stdout.contains("wobble"), "{}", watched.stdout);
    let missing = world.run(["scan", "no\u{1b}[2J.y4m", "--no-record"]);
    assert_eq!(missing.code, 1);
    check_fit("an error", &missing.stderr);

    world.ok(["report", "a.pass", "-o", "a.html"]);
    let page = fs::read_to_string(world.path("a.html")).expect("the page");
    check_fit("the page", &page);
    assert!(
        !page.contains("<script"),
        "markup of a name is markup of the page"
    );
    assert!(page.contains("clean&lt;script&gt;"), "the name is told");

    // Data for programs is as it was recorded: JSON has its own escapes.
    let events = world.ok(["scan", &name, "--json", "--no-record"]).json();
    assert_eq!(events["source"], name);
}

#[test]
fn several_hostile_names_make_a_table_of_one_line_each() {
    let world = World::new();
    for (number, scene) in [(1, "clean"), (2, "jitter")] {
        let tape = world.tape(scene, "625", "1");
        fs::rename(
            tape,
            world.path(&format!("{number}\u{1b}[2J\n{number}.y4m")),
        )
        .expect("a name");
    }
    let run = world.run(["scan", ".", "--no-record"]);
    assert_eq!(run.code, 0, "{}", run.stderr);
    check_fit("the table", &run.stderr);
    let rows: Vec<&str> = run.stderr.lines().collect();
    assert_eq!(
        rows.len(),
        4,
        "a heading, two files, how many there are: {rows:?}"
    );
}

#[test]
fn a_pass_that_could_act_or_cannot_be_is_refused_and_named() {
    let world = World::new();
    a_pass(&world);
    let whole = fs::read(world.path("a.pass")).expect("the pass");
    for (script, expected) in [
        (
            "CREATE TRIGGER t AFTER INSERT ON event_rows BEGIN DELETE FROM pass; END",
            "a trigger 't'",
        ),
        ("CREATE VIEW v AS SELECT 1", "a view 'v'"),
        ("DROP TABLE readings", "it has no table 'readings'"),
        ("UPDATE event_rows SET start_micros = 'soon'", "is damaged"),
        (
            "UPDATE event_rows SET note = hex(zeroblob(70000))",
            "is damaged",
        ),
        (
            "UPDATE readings SET field = field + (1 << 50)",
            "is damaged",
        ),
        ("UPDATE pass SET summary = zeroblob(70 << 20)", "is damaged"),
        ("PRAGMA application_id = 7", "of another program"),
        ("PRAGMA user_version = 900", "update trueline"),
    ] {
        world.write("b.pass", &whole);
        change(&world, "b.pass", script);
        let report = world.run(["report", "b.pass", "-o", "b.html"]);
        assert_eq!(report.code, 1, "{script}: {}", report.stderr);
        assert!(
            report.stderr.contains(expected),
            "{script}: {}",
            report.stderr
        );
        assert!(
            report.stderr.contains("b.pass"),
            "{script}: {}",
            report.stderr
        );
        assert!(
            !report.stderr.contains("panicked"),
            "{script}: {}",
            report.stderr
        );
        assert!(!world.path("b.html").exists(), "{script}");
    }
    world.write("b.pass", &whole[..whole.len() / 2]);
    let report = world.run(["report", "b.pass", "-o", "b.html"]);
    assert!(report.stderr.contains("is cut short"), "{}", report.stderr);
}

#[test]
fn files_of_settings_that_are_too_long_are_refused_by_name() {
    let world = World::new();
    world.write("long.toml", "#".repeat(200_000));
    let limits = world.run(["limits", "--limits", "long.toml"]);
    assert_eq!(limits.code, 2, "{}", limits.stderr);
    assert!(
        limits.stderr.contains("longer than 128 KiB"),
        "{}",
        limits.stderr
    );
    let words = ["compare", "a.pass", "b.pass", "--weights", "long.toml"];
    let weights = world.run(words);
    assert_eq!(weights.code, 2, "{}", weights.stderr);
    assert!(
        weights.stderr.contains("longer than 128 KiB"),
        "{}",
        weights.stderr
    );
}

#[cfg(unix)]
#[test]
fn links_in_a_directory_of_everybody_are_not_followed() {
    use std::os::unix::fs::{PermissionsExt, symlink};
    let world = World::new();
    a_pass(&world);
    fs::create_dir(world.path("shared")).expect("a directory");
    let everybody = fs::Permissions::from_mode(0o1777);
    fs::set_permissions(world.path("shared"), everybody).expect("our own directory");
    let precious = world.write("precious", "precious");
    for (name, words) in [
        ("a.html", &["report", "a.pass", "-o", "shared/a.html"][..]),
        (
            "a.csv",
            &[
                "export",
                "a.pass",
                "events",
                "--as",
                "csv",
                "-o",
                "shared/a.csv",
            ],
        ),
        ("a.y4m", &["tape", "--seconds", "0.1", "-o", "shared/a.y4m"]),
        (
            "b.pass",
            &["scan", "jitter-625.y4m", "--record", "shared/b.pass"],
        ),
        (
            "c.y4m",
            &[
                "watch",
                "jitter-625.y4m",
                "--no-dashboard",
                "--no-record",
                "--tee",
                "shared/c.y4m",
            ],
        ),
    ] {
        symlink(&precious, world.path("shared").join(name)).expect("a link");
        let run = world.run(words);
        assert_eq!(run.code, 1, "{words:?}: {}", run.stderr);
        assert!(run.stderr.contains(name), "{words:?}: {}", run.stderr);
        assert_eq!(
            fs::read(&precious).expect("it is there"),
            b"precious",
            "{words:?}"
        );
    }
    // where nobody else can put one, a link is the owner's wish
    fs::create_dir(world.path("own")).expect("a directory");
    symlink(&precious, world.path("own/a.csv")).expect("a link");
    world.ok([
        "export",
        "a.pass",
        "events",
        "--as",
        "csv",
        "-o",
        "own/a.csv",
    ]);
    assert!(
        fs::read(&precious)
            .expect("it is there")
            .starts_with(b"id,")
    );
}

#[cfg(unix)]
#[test]
fn files_have_the_permissions_that_the_user_s_own_have() {
    use std::os::unix::fs::PermissionsExt;
    let world = World::new();
    world.tape("jitter", "625", "1");
    let command =
        "umask 027; \"$0\" scan jitter-625.y4m --record a.pass && \"$0\" report a.pass -o a.html";
    let mut shell = std::process::Command::new("sh");
    shell.args(["-c", command, env!("CARGO_BIN_EXE_trueline")]);
    let done = Run::of(
        shell
            .current_dir(world.path("."))
            .output()
            .expect("a shell"),
    );
    assert_eq!(done.code, 0, "{}", done.stderr);
    for name in ["a.pass", "a.html"] {
        let mode = fs::metadata(world.path(name))
            .expect("it is there")
            .permissions()
            .mode();
        assert_eq!(mode & 0o777, 0o640, "{name}");
    }
}

/// What a process has open.
#[cfg(target_os = "linux")]
fn open_files(process: u32) -> Vec<String> {
    let folder = format!("/proc/{process}/fd");
    let entries = fs::read_dir(Path::new(&folder)).expect("our own process");
    let links = entries
        .flatten()
        .filter_map(|entry| fs::read_link(entry.path()).ok());
    links
        .map(|link| link.to_string_lossy().into_owned())
        .collect()
}

#[cfg(target_os = "linux")]
#[test]
fn watching_opens_no_socket() {
    let world = World::new();
    let words = [
        "watch",
        "tape:jitter",
        "--no-dashboard",
        "--record",
        "a.pass",
        "--on-alarm",
        "true",
    ];
    let mut watching = world
        .command(words)
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::null())
        .spawn()
        .expect("the binary starts");
    // The first line of an event: everything runs by then.
    let mut lines = std::io::BufReader::new(watching.stdout.take().expect("it is piped"));
    let mut line = String::new();
    std::io::BufRead::read_line(&mut lines, &mut line).expect("an event");
    let open = open_files(watching.id());
    crate::world::send_signal("TERM", &watching.id().to_string());
    std::io::Read::read_to_string(&mut lines, &mut line).expect("the rest");
    watching.wait().expect("it ends");
    assert!(open.iter().any(|file| file.ends_with("a.pass")), "{open:?}");
    assert!(
        !open.iter().any(|file| file.starts_with("socket:")),
        "{open:?}"
    );
}
