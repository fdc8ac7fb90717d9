//! Which of FFmpeg's pixel formats are read as they are, and what the others are turned into.
//!
//! In: the name of a pixel format and where its colour sits. Out: the format to ask of the decoder, so that luma
//! codes stay what they were wherever the format has luma at all.
//!
//! Does not know: files or processes.

use super::super::{ChromaGrid, ChromaSiting, Packing, SampleFormat};

/// How a pixel format is to be had from the decoder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct PixelPlan {
    /// The name to ask for.
    pub(super) ask: String,
    /// What arrives.
    pub(super) samples: SampleFormat,
    /// What is lost or changed on the way.
    pub(super) change: Change,
}

/// What happens to samples between the file and us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Change {
    /// Nothing, or only their order in memory.
    Nothing,
    /// Colour is resampled; luma is not touched.
    Chroma,
    /// The file has no luma: it is computed, on the studio scale.
    FromRgb,
    /// A format that is not known here: the decoder does what it can.
    Unknown,
}

/// The plan for a pixel format. `depth_hint` is the depth the probe states, for formats not known here.
pub(super) fn plan(name: &str, location: Option<&str>, width: usize, depth_hint: u8) -> PixelPlan {
    packed(name, width)
        .or_else(|| planar(name, siting(location)))
        .or_else(|| semi_planar(name, siting(location)))
        .unwrap_or_else(|| converted(name, depth_hint))
}

fn siting(location: Option<&str>) -> ChromaSiting {
    match location {
        Some("left") => ChromaSiting::Left,
        Some("center") => ChromaSiting::Centre,
        // what the decoders of the 625-line DV family state
        Some("topleft") => ChromaSiting::AlternateRows,
        _ => ChromaSiting::Unsaid,
    }
}

fn ready(ask: String, packing: Packing, chroma: ChromaGrid, depth: u8) -> PixelPlan {
    PixelPlan {
        ask,
        samples: SampleFormat {
            packing,
            chroma,
            depth,
        },
        change: Change::Nothing,
    }
}

fn packed(name: &str, width: usize) -> Option<PixelPlan> {
    let (packing, ask) = match name {
        "yuyv422" => (Packing::Yuyv, name),
        "uyvy422" => (Packing::Uyvy, name),
        "yvyu422" => (Packing::Yvyu, name),
        _ => return None,
    };
    if width % 2 == 1 {
        // half a pair at the end of a row: decoders differ in what they put there
        return planar("yuv422p", ChromaSiting::Unsaid);
    }
    Some(ready(ask.to_owned(), packing, ChromaGrid::Half, 8))
}

/// Planar luma with or without colour; a fourth plane and the byte order are left to the decoder to change.
fn planar(name: &str, siting: ChromaSiting) -> Option<PixelPlan> {
    if let Some(rest) = name.strip_prefix("gray") {
        let depth = depth_of(rest)?;
        return Some(ready(
            named("gray", depth),
            Packing::Planar,
            ChromaGrid::Mono,
            depth,
        ));
    }
    let full = name.starts_with("yuvj");
    let rest = ["yuvj", "yuva", "yuv"]
        .iter()
        .find_map(|start| name.strip_prefix(start))?;
    let (grid, rest) = rest.split_at_checked(3)?;
    let depth = depth_of(rest.strip_prefix('p')?)?;
    let (grid, wire, change) = match grid {
        "420" => (ChromaGrid::Half2x2(siting), "420p", Change::Nothing),
        "411" => (ChromaGrid::Quarter, "411p", Change::Nothing),
        "422" => (ChromaGrid::Half, "422p", Change::Nothing),
        "444" => (ChromaGrid::Full, "444p", Change::Nothing),
        "440" | "410" => (ChromaGrid::Full, "444p", Change::Chroma),
        _ => return None,
    };
    let start = if full { "yuvj" } else { "yuv" };
    Some(PixelPlan {
        change,
        ..ready(
            named(&format!("{start}{wire}"), depth),
            Packing::Planar,
            grid,
            depth,
        )
    })
}

/// `10le`, `16be`, or nothing for 8 bit.
fn depth_of(rest: &str) -> Option<u8> {
    if rest.is_empty() {
        return Some(8);
    }
    let digits = rest
        .strip_suffix("le")
        .or_else(|| rest.strip_suffix("be"))?;
    digits.parse().ok().filter(|depth| (9..=16).contains(depth))
}

fn named(base: &str, depth: u8) -> String {
    if depth > 8 {
        format!("{base}{depth}le")
    } else {
        base.to_owned()
    }
}

/// Formats whose samples only lie in another order than ours.
fn semi_planar(name: &str, siting: ChromaSiting) -> Option<PixelPlan> {
    let equal = match name {
        "nv12" | "nv21" => "yuv420p",
        "nv16" => "yuv422p",
        "nv24" | "nv42" => "yuv444p",
        "uyyvyy411" => "yuv411p",
        "p010le" | "p010be" => "yuv420p10le",
        "p012le" | "p012be" => "yuv420p12le",
        "p016le" | "p016be" => "yuv420p16le",
        "p210le" | "p210be" | "y210le" | "y210be" | "nv20le" | "nv20be" => "yuv422p10le",
        "y212le" | "y212be" => "yuv422p12le",
        "p216le" | "p216be" => "yuv422p16le",
        "p410le" | "p410be" | "xv30le" | "xv30be" => "yuv444p10le",
        "xv36le" | "xv36be" => "yuv444p12le",
        "p416le" | "p416be" | "ayuv64le" | "ayuv64be" => "yuv444p16le",
        "vuyx" | "vuya" => "yuv444p",
        "ya8" | "y400a" => "gray",
        "ya16le" | "ya16be" => "gray16le",
        _ => return None,
    };
    planar(equal, siting)
}

fn converted(name: &str, depth_hint: u8) -> PixelPlan {
    let rgb = [
        "rgb", "bgr", "gbr", "argb", "abgr", "0rgb", "0bgr", "x2rgb", "x2bgr", "pal8",
    ]
    .iter()
    .any(|start| name.starts_with(start));
    let deep = depth_hint > 8
        || ["48", "64", "32", "9", "10", "12", "14", "16"]
            .iter()
            .any(|bits| {
                name.trim_end_matches(['l', 'b', 'e']).ends_with(bits) && name.len() > bits.len()
            });
    let depth = if deep { 16 } else { 8 };
    PixelPlan {
        change: if rgb {
            Change::FromRgb
        } else {
            Change::Unknown
        },
        ..ready(
            named("yuv444p", depth),
            Packing::Planar,
            ChromaGrid::Full,
            depth,
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(name: &str, ask: &str, grid: ChromaGrid, depth: u8, change: Change) {
        let plan = plan(name, None, 720, 8);
        assert_eq!(plan.ask, ask, "{name}");
        assert_eq!(plan.samples.chroma, grid, "{name}");
        assert_eq!(plan.samples.depth, depth, "{name}");
        assert_eq!(plan.change, change, "{name}");
    }

    #[test]
    fn planar_formats_are_taken_as_they_are() {
        let half2x2 = ChromaGrid::Half2x2(ChromaSiting::Unsaid);
        check("yuv420p", "yuv420p", half2x2, 8, Change::Nothing);
        check("yuvj420p", "yuvj420p", half2x2, 8, Change::Nothing);
        check(
            "yuv411p",
            "yuv411p",
            ChromaGrid::Quarter,
            8,
            Change::Nothing,
        );
        check(
            "yuv422p10le",
            "yuv422p10le",
            ChromaGrid::Half,
            10,
            Change::Nothing,
        );
        check(
            "yuv444p16le",
            "yuv444p16le",
            ChromaGrid::Full,
            16,
            Change::Nothing,
        );
        check("gray", "gray", ChromaGrid::Mono, 8, Change::Nothing);
        check(
            "gray10le",
            "gray10le",
            ChromaGrid::Mono,
            10,
            Change::Nothing,
        );
    }

    #[test]
    fn byte_order_transparency_and_interleaving_change_no_sample() {
        check(
            "yuv422p10be",
            "yuv422p10le",
            ChromaGrid::Half,
            10,
            Change::Nothing,
        );
        check("yuva444p", "yuv444p", ChromaGrid::Full, 8, Change::Nothing);
        let half2x2 = ChromaGrid::Half2x2(ChromaSiting::Unsaid);
        check("nv12", "yuv420p", half2x2, 8, Change::Nothing);
        check("p010le", "yuv420p10le", half2x2, 10, Change::Nothing);
    }

    #[test]
    fn what_has_no_luma_or_odd_colour_is_converted_and_says_so() {
        check("yuv440p", "yuv444p", ChromaGrid::Full, 8, Change::Chroma);
        check("yuvj440p", "yuvj444p", ChromaGrid::Full, 8, Change::Chroma);
        check("yuv410p", "yuv444p", ChromaGrid::Full, 8, Change::Chroma);
        check("rgb24", "yuv444p", ChromaGrid::Full, 8, Change::FromRgb);
        check("bgr0", "yuv444p", ChromaGrid::Full, 8, Change::FromRgb);
        check(
            "gbrp10le",
            "yuv444p16le",
            ChromaGrid::Full,
            16,
            Change::FromRgb,
        );
        check(
            "rgb48be",
            "yuv444p16le",
            ChromaGrid::Full,
            16,
            Change::FromRgb,
        );
        check("monow", "yuv444p", ChromaGrid::Full, 8, Change::Unknown);
        check("", "yuv444p", ChromaGrid::Full, 8, Change::Unknown);
    }

    #[test]
    fn packed_rows_of_odd_width_come_as_planes() {
        assert_eq!(plan("yuyv422", None, 720, 8).samples.packing, Packing::Yuyv);
        assert_eq!(plan("uyvy422", None, 720, 8).samples.packing, Packing::Uyvy);
        assert_eq!(plan("yuyv422", None, 719, 8).ask, "yuv422p");
    }

    #[test]
    fn the_siting_is_the_probe_s_word() {
        let sited = |location| plan("yuv420p", location, 720, 8).samples.chroma;
        assert_eq!(sited(Some("left")), ChromaGrid::Half2x2(ChromaSiting::Left));
        assert_eq!(
            sited(Some("center")),
            ChromaGrid::Half2x2(ChromaSiting::Centre)
        );
        assert_eq!(
            sited(Some("topleft")),
            ChromaGrid::Half2x2(ChromaSiting::AlternateRows)
        );
        assert_eq!(sited(None), ChromaGrid::Half2x2(ChromaSiting::Unsaid));
    }
}
