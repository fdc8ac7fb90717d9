//! Invariants of the tree, read from its text: imports run the way data runs.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// The stages in flow order; each may import those before it. Foundations come first and import only each other.
const FLOW: [&str; 15] = [
    "shared", "text", "units", "standard", "timecode", "limits", "sources", "fields", "measures",
    "alarms", "record", "compare", "views", "cli", "app",
];

/// Everything that may stand at the top.
const TOP_LEVEL: [&str; 14] = [
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    ".gitignore",
    "src",
    "tests",
    "fixtures",
    "scripts",
    "benches",
    ".ci",
    ".git",
    "target",
];

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("src can be read").flatten() {
        let path = entry.path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// Every file that is shipped: modules that exist for tests alone are left out, for tests may reach further.
fn all_sources() -> Vec<PathBuf> {
    let mut found = Vec::new();
    sources(&root().join("src"), &mut found);
    let of_tests: Vec<PathBuf> = found.iter().flat_map(|path| test_modules(path)).collect();
    found.retain(|path| !of_tests.iter().any(|module| path.starts_with(module)));
    found.sort();
    found
}

/// Files and folders of the modules that a file declares for tests alone.
fn test_modules(path: &Path) -> Vec<PathBuf> {
    let text = fs::read_to_string(path).expect("a source file is text");
    let is_root = path
        .file_name()
        .is_some_and(|name| name == "mod.rs" || name == "lib.rs");
    let folder = if is_root {
        path.with_file_name("")
    } else {
        path.with_extension("")
    };
    let declared = text.split("#[cfg(test)]\n").skip(1).filter_map(|rest| {
        let line = rest.lines().next()?.trim();
        line.rsplit_once("mod ")?.1.strip_suffix(';')
    });
    declared
        .flat_map(|name| [folder.join(name), folder.join(format!("{name}.rs"))])
        .collect()
}

/// The stage a file belongs to: its first folder below `src`, or its own name.
fn stage_of(path: &Path) -> String {
    let inside = path
        .strip_prefix(root().join("src"))
        .expect("a file of src");
    let first = inside
        .components()
        .next()
        .expect("a name")
        .as_os_str()
        .to_string_lossy();
    first.trim_end_matches(".rs").to_owned()
}

/// Text before the tests, without comments: tests may reach further.
fn shipped_text(path: &Path) -> String {
    let text = fs::read_to_string(path).expect("a source file is text");
    let shipped = text
        .split("#[cfg(test)]\nmod tests {")
        .next()
        .expect("split gives one part at least");
    shipped
        .lines()
        .filter(|line| !line.trim_start().starts_with("//"))
        .collect::<Vec<_>>()
        .join("\n")
}

/// Stages named after `crate::` anywhere in a text.
fn stages_named(text: &str) -> Vec<String> {
    text.split("crate::")
        .skip(1)
        .map(|rest| {
            rest.chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect()
        })
        .collect()
}

#[test]
fn imports_run_the_way_data_runs() {
    let rank: BTreeMap<&str, usize> = FLOW
        .iter()
        .enumerate()
        .map(|(at, stage)| (*stage, at))
        .collect();
    let mut checked = 0;
    for path in all_sources() {
        let stage = stage_of(&path);
        let Some(own) = rank.get(stage.as_str()) else {
            assert!(
                matches!(stage.as_str(), "lib" | "main"),
                "{}: {stage} has no place in the flow",
                path.display()
            );
            continue;
        };
        for named in stages_named(&shipped_text(&path)) {
            let Some(other) = rank.get(named.as_str()) else {
                continue;
            };
            assert!(
                other <= own,
                "{} imports crate::{named}, which comes after {stage}",
                path.display()
            );
            checked += 1;
        }
    }
    assert!(
        checked > 100,
        "only {checked} imports were found: the reader of this test is broken"
    );
}

#[test]
fn command_line_flags_are_known_to_cli_and_app_alone() {
    for path in all_sources() {
        let stage = stage_of(&path);
        if matches!(stage.as_str(), "cli" | "app" | "main" | "lib") {
            continue;
        }
        let text = shipped_text(&path);
        assert!(
            !text.contains("crate::cli") && !text.contains("use clap"),
            "{}",
            path.display()
        );
    }
}

#[test]
fn only_app_starts_threads() {
    for path in all_sources() {
        let stage = stage_of(&path);
        // A decoder's stderr must be drained beside its stdout, and a camera interface blocks: those threads live and die
        // inside the source.
        if stage == "app"
            || path.ends_with("sources/decoded.rs")
            || path.to_string_lossy().contains("sources/decoded/")
            || path.ends_with("sources/camera/interface.rs")
        {
            continue;
        }
        let text = shipped_text(&path);
        assert!(
            ![
                "thread::spawn",
                "thread::scope",
                "thread::Builder",
                "ThreadPool"
            ]
            .iter()
            .any(|word| text.contains(word)),
            "{}",
            path.display()
        );
    }
}

#[test]
fn unsafe_code_is_in_the_device_module_alone_and_says_why() {
    let device = root().join("src/sources/v4l2");
    let mut blocks = 0;
    for path in all_sources() {
        let text = fs::read_to_string(&path).expect("a source file is text");
        let lines: Vec<&str> = text.lines().map(str::trim).collect();
        for (at, line) in lines.iter().enumerate() {
            let code = line.split("//").next().unwrap_or_default();
            let words = code.split(|c: char| !(c.is_alphanumeric() || c == '_'));
            if !words.into_iter().any(|word| word == "unsafe") {
                continue;
            }
            let place = format!("{}:{}", path.display(), at + 1);
            assert!(
                path.starts_with(&device),
                "{place}: unsafe outside of {}",
                device.display()
            );
            // a trait says what its implementations promise, every other says why it holds
            let says_why = lines[at.saturating_sub(6)..at]
                .iter()
                .any(|line| line.starts_with("// SAFETY:") || line.starts_with("/// # Safety"));
            assert!(says_why, "{place}: no SAFETY");
            blocks += 1;
        }
    }
    assert!(
        blocks > 5,
        "only {blocks} were found: the reader of this test is broken"
    );
    let lints = fs::read_to_string(root().join("Cargo.toml")).expect("it is there");
    assert!(lints.contains("unsafe_code = \"deny\""), "the lint is gone");
}

#[test]
fn measures_read_no_clock_and_touch_no_file() {
    for path in all_sources()
        .iter()
        .filter(|path| stage_of(path) == "measures")
    {
        let text = shipped_text(path);
        for word in ["Instant", "SystemTime", "std::fs", "std::io", "tracing::"] {
            assert!(!text.contains(word), "{} uses {word}", path.display());
        }
    }
}

#[test]
fn modules_are_declared_in_flow_order() {
    let text = fs::read_to_string(root().join("src/lib.rs")).expect("lib.rs is there");
    let declared: Vec<&str> = text
        .lines()
        .filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';'))
        .collect();
    let expected: Vec<&str> = FLOW
        .iter()
        .copied()
        .filter(|stage| declared.contains(stage))
        .collect();
    assert_eq!(declared, expected);
}

#[test]
fn the_top_level_holds_what_it_should() {
    for entry in fs::read_dir(root())
        .expect("the root can be read")
        .flatten()
    {
        let name = entry.file_name().to_string_lossy().into_owned();
        assert!(
            TOP_LEVEL.contains(&name.as_str()),
            "{name} does not belong at the top level"
        );
    }
}

/// A clock that may be set measures nothing: it is read to be written down, and for names of files.
#[test]
fn the_wall_clock_is_read_where_dates_are_written() {
    const READ: [&str; 4] = [
        "DateTime::now",
        "Zoned::now",
        "Timestamp::now",
        "SystemTime::now",
    ];
    let mut reading: Vec<String> = all_sources()
        .iter()
        .filter(|path| {
            let text = shipped_text(path);
            READ.iter().any(|word| text.contains(word)) || text.contains("UNIX_EPOCH")
        })
        .map(|path| {
            let inside = path
                .strip_prefix(root().join("src"))
                .expect("a file of src");
            inside.to_string_lossy().into_owned()
        })
        .collect();
    reading.sort();
    assert_eq!(reading, ["app/learn.rs", "app/pass.rs"]);
}
