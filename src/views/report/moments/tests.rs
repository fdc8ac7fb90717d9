//! Pictures of moments within the page, and how many fit.

use image::{ImageFormat, load_from_memory_with_format};

use super::*;
use crate::compare::Stills;

const SIZE: (usize, usize) = (720, 240);

fn names() -> Names {
    Names {
        first: 'A',
        second: 'C',
        laid: "laid upon A: 0.30 samples to the left".to_owned(),
    }
}

/// Noise, which takes more room than any picture, or flat grey.
fn still(noisy: bool, seed: u32) -> Still {
    let mut state = seed | 1;
    let mut sample = || {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        if noisy { (state >> 24) as u8 } else { 90 }
    };
    Still {
        samples: (0..3 * SIZE.0 * SIZE.1).map(|_| sample()).collect(),
        size: SIZE,
    }
}

fn moment(why: Why, field: u64, noisy: bool) -> Moment {
    let one = |seed| still(noisy, seed + field as u32);
    Moment {
        why,
        first_field: field,
        second_field: field + 46,
        first_timecode: format!("00:00:{field:02}:00"),
        second_timecode: format!("00:01:{field:02}:00"),
        mean_ire: 40.0,
        difference_rms_ire: 2.34,
        stills: Stills {
            first: one(1),
            second: one(2),
            split: one(3),
            difference: one(4),
            aspect: (4, 3),
        },
    }
}

const RULES: [Why; 3] = [Why::Darkest, Why::UsualDetail, Why::DiffersMost];

fn bytes(figures: &[MomentFigures]) -> usize {
    let all = figures.iter().flat_map(|moment| &moment.figures);
    all.map(|figure| figure.source.len()).sum()
}

#[test]
fn every_picture_of_a_moment_can_be_read_and_says_what_it_shows() {
    let moments = [moment(Why::UsualDetail, 7, false)];
    let (told, left_out) = fitted(&names(), &moments, MOST_BYTES);
    assert_eq!((told.len(), left_out.as_str()), (1, ""));
    assert_eq!(
        told[0].title,
        "Usual detail: A at 00:00:07:00, C at 00:01:07:00"
    );
    assert_eq!(told[0].figures.len(), 4);
    for figure in &told[0].figures {
        let text = figure.source.strip_prefix(SCHEME).expect("JPEG as text");
        let bytes = STANDARD.decode_to_vec(text).expect("base 64");
        let picture = load_from_memory_with_format(&bytes, ImageFormat::Jpeg).expect("JPEG");
        assert_eq!((picture.width(), picture.height()), (720, 240));
        // a field is shown in the shape of the frame
        assert_eq!((figure.width, figure.height), (720, 540));
        assert!(figure.alt.contains("00:0"), "{}", figure.alt);
    }
    let caption = |kind: &str| {
        let mut figures = told[0].figures.iter();
        let figure = figures.find(|figure| figure.kind == kind);
        figure.expect("it is there").caption.clone()
    };
    assert!(caption("second").ends_with("laid upon A: 0.30 samples to the left."));
    assert!(caption("difference").contains("×4 about mid grey"));
    assert!(caption("difference").contains("2.3 IRE rms"));
}

#[test]
fn moments_are_left_out_before_the_page_grows_too_large() {
    let moments = RULES.map(|why| moment(why, 10 + rank(why) as u64, true));
    let (all, nothing) = fitted(&names(), &moments, usize::MAX);
    assert_eq!((all.len(), nothing.as_str()), (3, ""));
    // Half the room: packed closer or fewer, never more than it is.
    let most = bytes(&all) / 4;
    let (some, left_out) = fitted(&names(), &moments, most);
    assert!(!some.is_empty() && some.len() < 3, "{}", some.len());
    assert!(bytes(&some) <= most);
    assert!(left_out.contains("left out"));
    // The first rule is the last to go.
    assert!(some.iter().any(|moment| moment.title.starts_with("Usual")));
    let (none, left_out) = fitted(&names(), &moments, 1000);
    assert!(none.is_empty() && left_out.starts_with("3 more moments"));
}
