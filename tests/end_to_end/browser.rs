//! A page in headless Chromium: what a reader's browser makes of it.
//!
//! The page under test holds no script and forbids any. What is opened is a copy with that rule taken out and the checks of
//! `browser/` put in; the page itself is what is looked at for errors and in pictures.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

const BEFORE: &str = include_str!("browser/before.js");
const AFTER: &str = include_str!("browser/after.js");
const NARROW: &str = include_str!("browser/narrow.html");

/// Time the checks may take, in the page's own clock, which stands still while nothing is to do.
const BUDGET_MS: u32 = 120_000;

/// How wide the window is.
#[derive(Clone, Copy)]
pub(crate) enum Window {
    /// 1280 pixels.
    Wide,
    /// 400 pixels, as a frame: no window of Chromium is narrower than 500.
    Narrow,
}

/// Which colours the reader asked for.
#[derive(Clone, Copy)]
pub(crate) enum Scheme {
    Light,
    Dark,
}

/// The checker of accessibility, as `scripts/setup test` installs it.
fn axe() -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("target/browser/node_modules/axe-core/axe.min.js");
    fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}; run scripts/setup test", path.display()))
}

fn chromium(profile: &Path, scheme: Scheme) -> Command {
    let mut command = Command::new("chromium");
    command.args([
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--disable-extensions",
        "--no-first-run",
        "--hide-scrollbars",
        "--allow-file-access-from-files",
        "--enable-logging=stderr",
    ]);
    command.arg(format!("--user-data-dir={}", profile.display()));
    if matches!(scheme, Scheme::Dark) {
        command.arg("--blink-settings=preferredColorScheme=0");
    }
    command
}

fn run(mut command: Command) -> Output {
    let output = command
        .output()
        .unwrap_or_else(|error| panic!("chromium: {error}; run scripts/setup test"));
    let complaint = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "chromium failed: {complaint}");
    output
}

fn url(path: &Path) -> String {
    format!("file://{}", path.display())
}

/// What a browser makes of a page, and that it has nothing to complain of.
pub(crate) fn look(page: &Path, window: Window, scheme: Scheme) -> Value {
    let folder = tempfile::tempdir().expect("a directory for the browser");
    let html = fs::read_to_string(page).expect("the page");
    let policy_at = html
        .find("<meta http-equiv=\"Content-Security-Policy\"")
        .expect("the page forbids scripts");
    let policy_end = policy_at + html[policy_at..].find('>').expect("the tag ends") + 1;
    let without = format!("{}{}", &html[..policy_at], &html[policy_end..]);
    let checked = without
        .replacen(
            "<head>",
            &format!("<head><script data-check>{BEFORE}</script>"),
            1,
        )
        .replacen(
            "</body>",
            &format!(
                "<script data-check>{}</script><script data-check>{AFTER}</script></body>",
                axe()
            ),
            1,
        );
    let copy = folder.path().join("checked.html");
    fs::write(&copy, checked).expect("the copy");
    let opened = match window {
        Window::Wide => copy,
        Window::Narrow => {
            let frame = folder.path().join("narrow.html");
            fs::write(&frame, NARROW.replace("PAGE", "checked.html")).expect("the frame");
            frame
        }
    };
    let mut command = chromium(&folder.path().join("profile"), scheme);
    command.arg("--window-size=1280,1000");
    command.arg(format!("--virtual-time-budget={BUDGET_MS}"));
    command.args(["--dump-dom", &url(&opened)]);
    let output = run(command);
    let said = String::from_utf8_lossy(&output.stderr);
    let complaints: Vec<&str> = said
        .lines()
        .filter(|line| line.contains("CONSOLE"))
        .collect();
    assert!(complaints.is_empty(), "{complaints:#?}");
    let dom = String::from_utf8_lossy(&output.stdout);
    let seen = dom
        .rsplit_once("<pre id=\"seen\">")
        .and_then(|(_, rest)| rest.split_once("</pre>"));
    let (seen, _) = seen.unwrap_or_else(|| panic!("the checks did not end: {said}"));
    let seen = seen
        .replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&nbsp;", "\u{a0}")
        .replace("&amp;", "&");
    serde_json::from_str(&seen).unwrap_or_else(|error| panic!("{error}: {seen}"))
}

/// What the browser says on its console about the page as it is.
pub(crate) fn console(page: &Path) -> Vec<String> {
    let folder = tempfile::tempdir().expect("a directory for the browser");
    let mut command = chromium(folder.path(), Scheme::Light);
    command.args(["--dump-dom", &url(page)]);
    let said = run(command).stderr;
    let said = String::from_utf8_lossy(&said);
    said.lines()
        .filter(|line| line.contains("CONSOLE"))
        .map(str::to_owned)
        .collect()
}

/// Where pictures of pages are put, to be looked at.
pub(crate) fn pictures() -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("report");
    fs::create_dir_all(&folder).expect("a folder for pictures");
    folder
}

/// A picture of the page as it is, so many pixels high.
pub(crate) fn photograph(
    page: &Path,
    window: Window,
    scheme: Scheme,
    height: u32,
    name: &str,
) -> PathBuf {
    let folder = tempfile::tempdir().expect("a directory for the browser");
    let picture = pictures().join(name);
    let (opened, width) = match window {
        Window::Wide => (page.to_owned(), 1280),
        Window::Narrow => {
            let frame = folder.path().join("narrow.html");
            fs::write(&frame, NARROW.replace("PAGE", &url(page))).expect("the frame");
            (frame, 500)
        }
    };
    let mut command = chromium(&folder.path().join("profile"), scheme);
    command.arg(format!("--window-size={width},{height}"));
    command.arg(format!("--screenshot={}", picture.display()));
    command.arg(url(&opened));
    run(command);
    picture
}

/// The page as printed.
pub(crate) fn print(page: &Path, name: &str) -> PathBuf {
    let folder = tempfile::tempdir().expect("a directory for the browser");
    let paper = pictures().join(name);
    let mut command = chromium(folder.path(), Scheme::Dark);
    command.arg(format!("--print-to-pdf={}", paper.display()));
    command.args(["--no-pdf-header-footer", &url(page)]);
    run(command);
    paper
}
