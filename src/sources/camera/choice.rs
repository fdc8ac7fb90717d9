//! Which format to ask a camera interface for, and how to read what comes.
//!
//! Such an interface knows pictures of a size, a rate and a kind of samples, not fields and standards. Sizes and rates of the
//! two standards are asked for in turn; others only where the operator names them, for they are scaled, and rates of 50 or
//! 60 pictures a second are deinterlaced: neither has lines that could be timed.
//!
//! Does not know: the interface.

use crate::sources::{
    ChromaGrid, ChromaSiting, Packing, PictureFormat, SampleFormat, Wishes, sample_rate,
};
use crate::standard::{RateTrust, Standard};
use crate::units::CodeRange;

/// Kinds of samples that can be read, best first: whole lines of luma untouched before packed ones.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Samples {
    /// Y Cb Y Cr.
    Yuyv,
    /// A plane of Y, then Cb and Cr in turn on every second row.
    Nv12,
    /// Luma alone.
    Grey,
    /// Each picture compressed by itself.
    Jpeg,
}

/// One format to ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Wanted {
    pub(super) width: u32,
    pub(super) rows: u32,
    pub(super) rate: u32,
    pub(super) samples: Samples,
}

const SAMPLES: [Samples; 4] = [Samples::Yuyv, Samples::Nv12, Samples::Grey, Samples::Jpeg];

/// Rasters of a standard that are not scaled, as far as a size can tell: those of 13.5 MHz first.
fn rasters(standard: Standard) -> &'static [(u32, u32)] {
    match standard {
        Standard::Lines625 => &[(720, 576), (704, 576), (768, 576)],
        Standard::Lines525 => &[(720, 480), (720, 486), (704, 480), (640, 480)],
    }
}

/// Whole pictures a second; the interface rounds 30 000/1001.
fn picture_rate(standard: Standard) -> u32 {
    match standard {
        Standard::Lines625 => 25,
        Standard::Lines525 => 30,
    }
}

/// Formats to ask for, in this order.
pub(super) fn wanted(wishes: &Wishes) -> Vec<Wanted> {
    let asked = wishes
        .standard
        .and_then(crate::sources::StandardWish::lines);
    let standards: &[Standard] = match asked {
        Some(Standard::Lines625) => &[Standard::Lines625],
        Some(Standard::Lines525) => &[Standard::Lines525],
        None => &[Standard::Lines625, Standard::Lines525],
    };
    let mut sizes: Vec<((u32, u32), u32)> = Vec::new();
    if let Some((width, rows)) = wishes.raster {
        let size = (width as u32, rows as u32);
        let rates = match asked.or(Standard::from_rows(rows)) {
            Some(standard) => vec![picture_rate(standard)],
            None => vec![25, 30],
        };
        sizes.extend(rates.into_iter().map(|rate| (size, rate)));
    } else {
        for &standard in standards {
            let rate = picture_rate(standard);
            sizes.extend(rasters(standard).iter().map(|&size| (size, rate)));
        }
    }
    sizes
        .into_iter()
        .flat_map(|((width, rows), rate)| {
            SAMPLES.map(|samples| Wanted {
                width,
                rows,
                rate,
                samples,
            })
        })
        .collect()
}

/// How frames of a format are read, and what the operator should know.
pub(super) fn picture_format(got: Wanted, wishes: &Wishes) -> (PictureFormat, Vec<String>) {
    let (width, rows) = (got.width as usize, got.rows as usize);
    let standard = Standard::from_rows(rows);
    let rate = sample_rate(width, standard, wishes);
    let (packing, chroma) = match got.samples {
        Samples::Yuyv => (Packing::Yuyv, ChromaGrid::Half),
        Samples::Nv12 => (Packing::Planar, ChromaGrid::Half2x2(ChromaSiting::Unsaid)),
        Samples::Grey => (Packing::Planar, ChromaGrid::Mono),
        Samples::Jpeg => (Packing::Planar, ChromaGrid::Full),
    };
    // JFIF (ITU-T T.871) pictures use all codes; the others are taken for studio range, as everywhere.
    let usual = match got.samples {
        Samples::Jpeg => CodeRange::Full,
        Samples::Yuyv | Samples::Nv12 | Samples::Grey => CodeRange::Studio,
    };
    let format = PictureFormat {
        width,
        rows,
        samples: SampleFormat {
            packing,
            chroma,
            depth: 8,
        },
        padded_stride: None,
        range: wishes.range.unwrap_or(usual),
        standard,
        sample_rate: rate.map(|it| it.0),
        // Whether the device scaled is not said.
        rate_trust: wishes
            .sample_rate
            .map_or(RateTrust::Presumed, |_| RateTrust::Known),
        field_order: wishes.field_order,
        field_order_forced: wishes.field_order.is_some(),
    };
    let remarks = remarks(&format, got, wishes);
    (format, remarks)
}

fn remarks(format: &PictureFormat, got: Wanted, wishes: &Wishes) -> Vec<String> {
    let mut remarks = vec![
        "The camera interface says neither field order nor standard nor frame numbers: the order is read in the picture, \
         losses show as jumps of the picture only, and time is counted in fields."
            .to_owned(),
    ];
    if wishes.sample_rate.is_none() && format.sample_rate.is_some() {
        remarks.push(
            "The sample rate is presumed from the width; if the device scales, `--sample-rate` says what is true."
                .to_owned(),
        );
    }
    if format.standard.is_none() {
        remarks.push(format!(
            "{}x{} is a raster of neither standard: it is scaled, and lines are not timed.",
            got.width, got.rows
        ));
    }
    if got.samples == Samples::Jpeg {
        remarks.push(
            "The device compresses each picture (MJPEG): line timing and noise are no better than the compression leaves \
             them; an uncompressed format tells more."
                .to_owned(),
        );
    }
    remarks
}

/// Lays a plane of Y and one of Cb and Cr in turn out as three planes; whether there was enough of it.
pub(super) fn spread_nv12(bytes: &[u8], (width, rows): (usize, usize), planes: &mut [u8]) -> bool {
    let luma = width * rows;
    let chroma = width.div_ceil(2) * rows.div_ceil(2);
    if bytes.len() < luma + 2 * chroma || planes.len() < luma + 2 * chroma {
        return false;
    }
    let (y, rest) = planes.split_at_mut(luma);
    let (cb, cr) = rest.split_at_mut(chroma);
    y.copy_from_slice(&bytes[..luma]);
    let pairs = bytes[luma..].chunks_exact(2);
    for ((pair, cb), cr) in pairs.zip(cb).zip(cr) {
        (*cb, *cr) = (pair[0], pair[1]);
    }
    true
}

/// Lays Y Cb Cr of each sample out as three planes; whether there was enough of it.
pub(super) fn spread_triples(
    triples: &[u8],
    (width, rows): (usize, usize),
    planes: &mut [u8],
) -> bool {
    let plane = width * rows;
    if triples.len() < 3 * plane || planes.len() < 3 * plane {
        return false;
    }
    let (y, rest) = planes.split_at_mut(plane);
    let (cb, cr) = rest.split_at_mut(plane);
    for (at, triple) in triples.chunks_exact(3).take(plane).enumerate() {
        (y[at], cb[at], cr[at]) = (triple[0], triple[1], triple[2]);
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sources::{FieldOrder, StandardWish};

    #[test]
    fn whole_rasters_of_the_standards_are_asked_for_uncompressed_ones_first() {
        let all = wanted(&Wishes::default());
        let first = Wanted {
            width: 720,
            rows: 576,
            rate: 25,
            samples: Samples::Yuyv,
        };
        assert_eq!(all[0], first);
        assert!(
            all.iter()
                .all(|it| Standard::from_rows(it.rows as usize).is_some())
        );
        // 50 or 60 pictures a second would be deinterlaced ones.
        assert!(all.iter().all(|it| matches!(it.rate, 25 | 30)));
        let compressed = all.iter().position(|it| it.samples == Samples::Jpeg);
        assert!(
            all[..compressed.expect("it is asked for too")]
                .iter()
                .any(|it| it.samples == Samples::Yuyv)
        );
    }

    #[test]
    fn the_operators_standard_and_raster_narrow_it_down() {
        let ntsc = Wishes {
            standard: Some(StandardWish::Lines(Standard::Lines525)),
            ..Wishes::default()
        };
        assert!(
            wanted(&ntsc)
                .iter()
                .all(|it| it.rate == 30 && it.rows < 500)
        );
        let raster = Wishes {
            raster: Some((640, 480)),
            ..Wishes::default()
        };
        let asked = wanted(&raster);
        assert_eq!(asked.len(), SAMPLES.len());
        assert!(
            asked
                .iter()
                .all(|it| (it.width, it.rows, it.rate) == (640, 480, 30))
        );
    }

    fn got(width: u32, rows: u32, samples: Samples) -> Wanted {
        Wanted {
            width,
            rows,
            rate: 25,
            samples,
        }
    }

    #[test]
    fn nothing_is_made_up_about_order_and_rate() {
        let (format, remarks) = picture_format(got(720, 576, Samples::Yuyv), &Wishes::default());
        assert_eq!(format.field_order, None);
        assert_eq!(format.standard, Some(Standard::Lines625));
        assert_eq!(format.rate_trust, RateTrust::Presumed);
        assert!(remarks[0].contains("neither field order"), "{remarks:?}");
        let wishes = Wishes {
            field_order: Some(FieldOrder::Top),
            ..Wishes::default()
        };
        let (format, _) = picture_format(got(720, 576, Samples::Yuyv), &wishes);
        assert!(format.field_order_forced);
    }

    #[test]
    fn compression_and_scaling_are_warned_of() {
        let says = |width, rows, samples, word: &str| {
            let (_, remarks) = picture_format(got(width, rows, samples), &Wishes::default());
            remarks.iter().any(|remark| remark.contains(word))
        };
        assert!(says(720, 576, Samples::Jpeg, "MJPEG"));
        assert!(!says(720, 576, Samples::Nv12, "MJPEG"));
        assert!(says(1280, 720, Samples::Yuyv, "scaled"));
        let (format, _) = picture_format(got(720, 576, Samples::Jpeg), &Wishes::default());
        assert_eq!(format.range, CodeRange::Full);
    }

    #[test]
    fn chroma_in_turn_becomes_two_planes() {
        let bytes = [1, 2, 3, 4, 5, 6, 7, 8, 90, 91, 92, 93];
        let mut planes = [0; 12];
        assert!(spread_nv12(&bytes, (4, 2), &mut planes));
        assert_eq!(planes, [1, 2, 3, 4, 5, 6, 7, 8, 90, 92, 91, 93]);
        assert!(!spread_nv12(&bytes[..11], (4, 2), &mut planes), "cut short");
    }

    #[test]
    fn triples_become_three_planes() {
        let mut planes = [0; 6];
        assert!(spread_triples(&[1, 2, 3, 4, 5, 6], (2, 1), &mut planes));
        assert_eq!(planes, [1, 4, 2, 5, 3, 6]);
        assert!(
            !spread_triples(&[1, 2, 3], (2, 1), &mut planes),
            "cut short"
        );
    }
}
