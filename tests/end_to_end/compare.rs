//! `trueline compare`: passes of one simulated tape through chains of known contrast, brightness and colour, through the whole program.

use std::fs;
use std::path::Path;

use serde_json::Value;
use trueline::record::{Closing, WhenFull, create};

use crate::browser::{Scheme, Window, console, look, photograph, print};
use crate::chain::{COLOUR_RATE, Chain, PLAIN, mean_decibels, played};
use crate::report::check_sound;
use crate::world::{World, plain_head};

/// A frame while something moves, so that its loss can be seen: the street is panned from 4 s to 8 s.
const LOST: usize = 171;

const OTHER: Chain = Chain {
    gain: 0.93,
    lift: 4.0,
    saturation: 0.82,
    hue_degrees: 9.0,
    first: 23,
    lost: Some(LOST),
    seed: 2,
    ..PLAIN
};

/// Luma cos²(π f / 13.5 MHz); colour the mean of seven samples, twice, which is late by six.
const SOFT: Chain = Chain {
    first: 10,
    seed: 4,
    soft: true,
    colour_mean: 7,
    ..PLAIN
};

/// Plays a rendered tape through a chain into a pass.
fn play(world: &World, tape: &Path, chain: &Chain, name: &str, more: &[&str]) {
    let file = format!("{name}.y4m");
    world.write(&file, played(&fs::read(tape).expect("the tape"), chain));
    let record = format!("{name}.pass");
    let mut words = vec![
        "scan",
        &file,
        "--record",
        &record,
        "--tape",
        "Ferry Street Film Club, reel 3",
    ];
    words.extend(more);
    world.ok(words);
}

fn value(one: &Value) -> f64 {
    one["difference"]["value"]
        .as_f64()
        .unwrap_or_else(|| panic!("no value: {one}"))
}

fn relation<'a>(found: &'a Value, id: &str) -> &'a Value {
    let relations = found["relations"][0]["relations"]
        .as_array()
        .expect("relations");
    relations
        .iter()
        .find(|one| one["id"] == id)
        .expect("it is listed")
}

/// What was put in comes out: contrast ± 1 %, brightness ± 0.5 IRE, saturation ± 2 %, hue ± 0.5°, place and loss to the field.
fn check_known_chain(found: &Value) {
    // four codes at black are 4 / 2.19 IRE
    for (id, expected, within) in [
        ("luma.gain_pct", -7.0, 1.0),
        ("luma.offset_ire", 4.0 / 2.19, 0.5),
        ("colour.saturation_pct", -18.0, 2.0),
        ("colour.hue_deg", 9.0, 0.5),
    ] {
        let told = value(relation(found, id));
        assert!(
            (told - expected).abs() <= within,
            "{id}: {told}, {expected} was put in"
        );
    }
    let pass = &found["passes"][1];
    let offsets: Vec<i64> = pass["pieces"]
        .as_array()
        .expect("pieces")
        .iter()
        .map(|piece| piece["offset"].as_i64().expect("a number"))
        .collect();
    assert_eq!(offsets, [46, 48], "{}", pass["pieces"]);
    let loss = &pass["losses"][0];
    assert_eq!(
        (&loss["field"], &loss["fields"]),
        (&Value::from(2 * (LOST - 23)), &Value::from(2))
    );
    let names: Vec<&str> = found["settings"]
        .as_array()
        .expect("settings")
        .iter()
        .filter(|setting| setting["differs"] == true)
        .filter_map(|setting| setting["name"].as_str())
        .collect();
    assert_eq!(names, ["chain", "box", "source", "setting sharpness"]);
}

/// The response of the chain, to half a decibel where most of the power is common, and the picture where it was.
fn check_soft_chain(found: &Value) {
    let pictures = &found["pictures"][0];
    assert_eq!(pictures["lines_down"], 0);
    let response = &pictures["response"];
    let right = response["right_samples"]["value"].as_f64().expect("told");
    assert!(right.abs() <= 0.1, "{right}");
    let wider = response["wider_percent"]["value"].as_f64().expect("told");
    assert!(wider.abs() < 0.05, "{wider}");
    let decibels = |megahertz: f64| 40.0 * (std::f64::consts::PI * megahertz / 13.5).cos().log10();
    let mut told = 0;
    for band in response["bands"].as_array().expect("bands") {
        let number = |name: &str| band[name].as_f64().expect("a number");
        if number("coherence") <= 0.5 {
            continue;
        }
        let expected = decibels(number("megahertz")) - decibels(0.5);
        let value = band["decibels"]["value"].as_f64().expect("told");
        assert!((value - expected).abs() <= 0.5, "{band}: {expected} dB");
        told += 1;
    }
    assert!(told >= 5, "{response}");
    check_soft_colour(&pictures["chroma"]);
    check_own_noise(&pictures["noise"]);
}

/// Each play's own noise is told from the tape's, to 5 %. Spread evenly over three codes it moves a whole code down, not at all or up,
/// each as often; what the soft chain hands on lies at quarters of a code, each as often, and is rounded after.
fn check_own_noise(noise: &Value) {
    // Nineteen of 64 bins of white noise.
    let ire = |variance: f64| 100.0 / 219.0 * (variance * 19.0 / 64.0).sqrt();
    // The variance of a rounded number is that of the even spread, 9/12, and what rounding adds or takes at its quarter.
    let (at_whole, at_quarter, at_half) = (2.0 / 3.0, 41.0 / 48.0, 11.0 / 12.0);
    let of_quarters = (at_whole + 2.0 * at_quarter + at_half) / 4.0;
    for (name, variance) in [("first_own_ire", at_whole), ("second_own_ire", of_quarters)] {
        let told = noise[name]["value"].as_f64().expect("it is there");
        let own = ire(variance);
        assert!(
            (told / own - 1.0).abs() < 0.05,
            "{name}: {told} IRE, {own} was added"
        );
    }
    let shared = &noise["shared_of_first_pct"];
    let end = |name: &str| shared[name].as_f64().expect("told");
    assert!(end("low") > 20.0 && end("high") < 95.0, "{shared}");
}

/// The colour of the chain: half a decibel, 15 ns, and where it has fallen by what.
fn check_soft_colour(chroma: &Value) {
    let own = |megahertz: f64| mean_decibels(SOFT.colour_mean, megahertz);
    // A band is the mean of what lies 0.055 MHz to either side, of bins 0.0527 MHz apart.
    let of_band = |megahertz: f64| {
        let bins = (1..40).map(|bin| f64::from(bin) * COLOUR_RATE / 128.0);
        let own_bins = bins.filter(|bin| (bin - megahertz).abs() <= 0.055);
        let levels: Vec<f64> = own_bins.map(own).collect();
        levels.iter().sum::<f64>() / levels.len() as f64
    };
    let lowest = of_band(0.15);
    let mut told = 0;
    for band in chroma["bands"].as_array().expect("bands") {
        let number = |name: &str| band[name].as_f64().expect("a number");
        if number("coherence") <= 0.5 {
            continue;
        }
        let expected = of_band(number("megahertz")) - lowest;
        let value = band["decibels"]["value"].as_f64().expect("told");
        assert!((value - expected).abs() <= 0.5, "{band}: {expected} dB");
        told += 1;
    }
    assert!(told >= 3, "{chroma}");
    let late = chroma["late_ns"]["value"].as_f64().expect("told");
    let expected = 6.0 * 1000.0 / COLOUR_RATE;
    assert!((late - expected).abs() <= 15.0, "{late} ns, {expected}");
    for fall in chroma["falls"].as_array().expect("falls") {
        let by = fall["decibels"].as_f64().expect("a number");
        let hundredths = (13..80).map(|at| f64::from(at) / 100.0);
        let mut fallen = hundredths.filter(|&megahertz| own(megahertz) - lowest <= -by);
        let expected = fallen.next().expect("it falls");
        if let Some(at) = fall["megahertz"]["value"].as_f64() {
            assert!((at - expected).abs() <= 0.03, "{fall}: {expected} MHz");
        } else {
            // The last may fall where noise is all there is.
            let least = fall["at_least_megahertz"].as_f64().expect("told");
            assert!(by > 3.0 && least > 0.3 && least <= expected, "{fall}");
        }
    }
}

/// Nothing is told of two passes that differ in noise alone.
fn check_same_chain(found: &Value) {
    for row in found["rows"].as_array().expect("rows") {
        assert_eq!(row["pairs"][0]["verdict"], "cannot_be_told", "{row}");
    }
    for one in found["relations"][0]["relations"]
        .as_array()
        .expect("relations")
    {
        assert_eq!(one["verdict"], "cannot_be_told", "{one}");
    }
    assert!(found["ranking"]["order"].is_null(), "{}", found["ranking"]);
    assert!(value(relation(found, "luma.gain_pct")).abs() < 0.2);
    assert_eq!(
        found["passes"][1]["pieces"].as_array().map(Vec::len),
        Some(1)
    );
    assert_eq!(found["passes"][1]["pieces"][0]["offset"], 0);
}

#[test]
fn passes_of_one_tape_are_placed_and_told_apart_and_other_tapes_refused() {
    let world = World::new();
    let tape = world.tape("clean", "525", "11");
    play(
        &world,
        &tape,
        &PLAIN,
        "a",
        &["--chain", "bare", "--player", "<b>deck</b>"],
    );
    let with_box = [
        "--chain",
        "box",
        "--box",
        "B",
        "--player",
        "<b>deck</b>",
        "--set",
        "sharpness=2",
    ];
    play(&world, &tape, &OTHER, "b", &with_box);
    play(
        &world,
        &tape,
        &Chain { seed: 3, ..PLAIN },
        "c",
        &["--chain", "bare", "--player", "<b>deck</b>"],
    );
    let other = world.tape("wave", "525", "6");
    play(&world, &other, &PLAIN, "d", &[]);

    check_known_chain(&world.ok(["compare", "a.pass", "b.pass", "--json"]).json());
    check_same_chain(&world.ok(["compare", "a.pass", "c.pass", "--json"]).json());

    play(&world, &tape, &SOFT, "e", &["--chain", "soft"]);
    let json = ["compare", "a.pass", "e.pass", "--with-pictures", "--json"];
    check_soft_chain(&world.ok(json).json());
    let told = world.ok(["compare", "a.pass", "e.pass", "--with-pictures"]);
    for said in [
        "Response across a line: B against A",
        "half its power",
        "Colour across a line: B against A",
        "ns later beside luma",
        "Noise where the picture is plain: B beside A",
    ] {
        assert!(told.stdout.contains(said), "{said}: {}", told.stdout);
    }
    let paged = world.ok([
        "compare",
        "a.pass",
        "e.pass",
        "--with-pictures",
        "--json",
        "-o",
        "captures.html",
    ]);
    check_captures(&world.path("captures.html"), &paged.json()["pictures"][0]);
    fs::rename(world.path("e.y4m"), world.path("gone.y4m")).expect("it is there");
    let gone = world.run(["compare", "a.pass", "e.pass", "--with-pictures"]);
    assert!(
        gone.code == 1 && gone.stderr.contains("leave --with-pictures out"),
        "{}",
        gone.stderr
    );

    let text = world
        .ok(["compare", "a.pass", "b.pass", "c.pass", "-o", "page.html"])
        .stdout;
    let first = text.find("What differs").expect("it is told");
    assert!(
        first < text.find("Levels and colour").expect("it is told"),
        "{text}"
    );
    for said in [
        "B begins 46 fields",
        "B lacks 2 fields",
        "A and C are plays of one chain",
        "hue turned by +",
    ] {
        assert!(text.contains(said), "{said}: {text}");
    }
    check_page(&world.path("page.html"));

    let refused = world.run(["compare", "a.pass", "d.pass"]);
    assert_eq!((refused.code, refused.stdout.as_str()), (1, ""));
    assert!(
        refused.stderr.contains("different tapes"),
        "{}",
        refused.stderr
    );
    let twice = world.run(["compare", "a.pass", "a.pass"]);
    assert!(
        twice.code == 1 && twice.stderr.contains("given twice"),
        "{}",
        twice.stderr
    );
    let onto = world.run(["compare", "a.pass", "b.pass", "-o", "b.pass"]);
    assert!(
        onto.code == 1 && onto.stderr.contains("the pass itself"),
        "{}",
        onto.stderr
    );
}

/// The page is sound in a browser, says the same and draws a line a pass.
fn check_page(page: &Path) {
    let text = fs::read_to_string(page).expect("the page");
    for reach in [
        "http:", "https:", "url(", "@import", "<script", "<img", "<link", "<iframe", "<b>deck",
    ] {
        assert!(!text.contains(reach), "{reach}");
    }
    assert_eq!(console(page), Vec::<String>::new());
    for (window, scheme) in [
        (Window::Wide, Scheme::Light),
        (Window::Narrow, Scheme::Dark),
    ] {
        let seen = look(page, window, scheme);
        check_sound(&seen);
        let charts = seen["charts"].as_array().map_or(0, Vec::len);
        assert!(
            charts >= 5 && seen["drawn"] == charts,
            "{} of {charts}",
            seen["drawn"]
        );
    }
    photograph(page, Window::Wide, Scheme::Light, 9000, "comparison.png");
    let chart = text
        .split("data-chart=\"levels.peak_ire\"")
        .nth(1)
        .expect("a chart");
    let chart = chart.split("</figure>").next().expect("its end");
    assert_eq!(chart.matches("class=\"play play-").count(), 3);
}

/// `−3.1 (−3.3 … −2.9)`.
fn interval(told: &Value, decimals: usize) -> String {
    let number = |name: &str| {
        let value = told[name].as_f64().expect("a number");
        let text = format!("{:.decimals$}", value.abs());
        let is_zero = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
        let sign = match (is_zero, value < 0.0) {
            (true, _) => "",
            (false, true) => "−",
            (false, false) => "+",
        };
        format!("{sign}{text}")
    };
    format!(
        "{} ({} … {})",
        number("value"),
        number("low"),
        number("high")
    )
}

/// What is told of the captures stands on the page: charts, tables and pictures with their words, in figures equal to JSON.
fn check_captures(page: &Path, pictures: &Value) {
    let text = fs::read_to_string(page).expect("the page");
    assert!(text.len() < 3_000_000, "{} bytes", text.len());
    for reach in ["http:", "https:", "url(", "@import", "<script", "<link"] {
        assert!(!text.contains(reach), "{reach}");
    }
    assert_eq!(
        text.matches("<img").count(),
        text.matches("<img src=\"data:image/jpeg;base64,").count()
    );
    assert_eq!(console(page), Vec::<String>::new());
    let seen = look(page, Window::Wide, Scheme::Light);
    check_sound(&seen);
    check_sound(&look(page, Window::Narrow, Scheme::Dark));
    let charts = seen["charts"].as_array().expect("a list");
    assert_eq!(seen["drawn"], charts.len());
    for (kind, of, decimals) in [("luma", "response", 1), ("chroma", "chroma", 2)] {
        let bands = pictures[of]["bands"].as_array().expect("bands");
        let rows: Vec<Value> = bands
            .iter()
            .map(|band| {
                let told = match &band["decibels"] {
                    Value::Null => "–".to_owned(),
                    told => interval(told, 1),
                };
                let number = |name: &str| band[name].as_f64().expect("a number");
                serde_json::json!([
                    format!("{:.decimals$}", number("megahertz")),
                    told,
                    format!("{:.2}", number("coherence"))
                ])
            })
            .collect();
        assert_eq!(seen["bands"][kind], Value::from(rows));
        for (chart, told) in [
            (
                "response",
                bands
                    .iter()
                    .filter(|band| !band["decibels"].is_null())
                    .count(),
            ),
            ("coherence", bands.len()),
        ] {
            let id = format!("{chart}-{kind}-B");
            assert!(charts.contains(&Value::from(id.as_str())), "{id}");
            let points = seen["points"][&id].as_u64().expect("it is drawn");
            assert_eq!(points as usize, told, "{id}");
        }
    }
    check_figures(&seen["bands"], pictures);
    let moments = pictures["moments"].as_array().expect("moments");
    assert_eq!(moments.len(), 3);
    let stills = seen["stills"].as_array().expect("a list");
    assert_eq!(stills.len(), 4 * moments.len());
    for (moment, stills) in moments.iter().zip(stills.chunks_exact(4)) {
        check_stills(moment, stills);
    }
    photograph(
        page,
        Window::Wide,
        Scheme::Light,
        6500,
        "captures-1280-light.png",
    );
    photograph(
        page,
        Window::Wide,
        Scheme::Dark,
        6500,
        "captures-1280-dark.png",
    );
    photograph(
        page,
        Window::Narrow,
        Scheme::Light,
        12_000,
        "captures-400-light.png",
    );
    print(page, "captures-a4.pdf");
}

/// Single figures of colour and noise, of what is never negative without its sign.
fn check_figures(tables: &Value, pictures: &Value) {
    let range = |told: &Value, decimals: usize| {
        let number = |name: &str| {
            let value = told[name].as_f64().expect("a number").max(0.0);
            format!("{value:.decimals$}")
        };
        format!(
            "{} ({} … {})",
            number("value"),
            number("low"),
            number("high")
        )
    };
    let fall = |told: &Value| match told["at_least_megahertz"].as_f64() {
        Some(least) => format!("at least {least:.2}"),
        None => range(&told["megahertz"], 2),
    };
    let (chroma, noise) = (&pictures["chroma"], &pictures["noise"]);
    for (table, expected) in [
        (
            "colour",
            vec![
                fall(&chroma["falls"][0]),
                fall(&chroma["falls"][1]),
                interval(&chroma["late_ns"], 0),
            ],
        ),
        (
            "noise",
            vec![
                range(&noise["shared_ire"], 2),
                range(&noise["first_own_ire"], 2),
                range(&noise["second_own_ire"], 2),
                range(&noise["shared_of_first_pct"], 0),
                range(&noise["shared_of_second_pct"], 0),
            ],
        ),
    ] {
        let rows = tables[table].as_array().expect("a table").iter();
        let told: Vec<&str> = rows.filter_map(|row| row[1].as_str()).collect();
        assert_eq!(told, expected);
    }
}

/// The four pictures of a moment: whole, in the shape of a frame, with words that say when and what.
fn check_stills(moment: &Value, stills: &[Value]) {
    let word = |of: &Value, name: &str| of[name].as_str().expect("a text").to_owned();
    let (here, there) = (
        word(moment, "first_timecode"),
        word(moment, "second_timecode"),
    );
    let field = |name: &str| moment[name].as_u64().expect("a number");
    // The second pass begins ten frames further on.
    assert_eq!(
        field("first_field"),
        field("second_field") + 2 * SOFT.first as u64
    );
    let kinds: Vec<String> = stills.iter().map(|still| word(still, "kind")).collect();
    assert_eq!(kinds, ["first", "second", "split", "difference"]);
    for still in stills {
        assert_eq!(
            (&still["width"], &still["height"]),
            (&720.into(), &240.into())
        );
        let shape = still["shape"].as_f64().expect("a number");
        assert!((shape - 4.0 / 3.0).abs() < 0.02, "{shape}");
        let both = word(still, "kind") == "split" || word(still, "kind") == "difference";
        for name in ["alt", "caption"] {
            let told = word(still, name);
            assert!(
                !both || told.contains(&here) && told.contains(&there),
                "{told}"
            );
            assert!(told.contains(&here) || told.contains(&there), "{told}");
        }
    }
    let difference = moment["difference_rms_ire"].as_f64().expect("a number");
    let caption = word(&stills[3], "caption");
    for said in ["×4".to_owned(), format!("{difference:.1} IRE")] {
        assert!(caption.contains(&said), "{said}: {caption}");
    }
}

/// A pass of nothing.
pub(crate) fn keep_empty(world: &World, name: &str) {
    let (sender, writer) =
        create(&world.path(name), &plain_head(), WhenFull::Wait).expect("a new file");
    let closing = Closing {
        summary: "{}".into(),
        closed_at: "2026-03-01T20:04:05+00:00".into(),
        found: Vec::new(),
        scanned: None,
    };
    sender.close(closing).expect("room");
    writer.run().expect("a pass");
}

#[test]
fn a_pass_without_fingerprints_and_weights_that_make_no_sense_are_told() {
    let world = World::new();
    for name in ["old.pass", "older.pass"] {
        keep_empty(&world, name);
    }
    let run = world.run(["compare", "old.pass", "older.pass"]);
    assert_eq!(run.code, 1);
    assert!(
        run.stderr.contains("holds no fingerprints") && run.stderr.contains("again"),
        "{}",
        run.stderr
    );
    assert_eq!(world.run(["compare", "old.pass"]).code, 2);

    let printed = world.ok(["compare", "--print-weights"]).stdout;
    world.write("weights.toml", &printed);
    let again = world
        .ok(["compare", "--print-weights", "--weights", "weights.toml"])
        .stdout;
    assert_eq!(again, printed);
    world.write("wrong.toml", "\"noise.luma\" = 2.0\n");
    let run = world.run([
        "compare",
        "old.pass",
        "older.pass",
        "--weights",
        "wrong.toml",
    ]);
    assert_eq!(run.code, 2);
    assert!(run.stderr.contains("noise.luma_db"), "{}", run.stderr);
}
