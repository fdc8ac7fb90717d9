//! The alarm tells of wobble that begins in a steady shot, whatever stands at the sides.

use trueline::sources::tape::Picture;
use trueline::standard::Standard;

use super::onset::{CAMERAS, Case, LEAST_COVERAGE, SIDES, WOBBLES};

/// Every border, wobble and camera in some picture; `cargo bench --bench onset` has them all in all.
const CASES: [(Picture, usize, usize, usize); 6] = [
    (Picture::Park, 0, 0, 0),
    (Picture::Meadow, 0, 1, 2),
    (Picture::Park, 1, 0, 1),
    (Picture::Park, 1, 1, 2),
    (Picture::Street, 2, 0, 0),
    (Picture::Park, 2, 1, 1),
];

#[test]
fn wobble_of_half_a_sample_rings_within_twelve_fields() {
    let cases = CASES.map(|(picture, sides, camera, wobble)| Case {
        picture,
        standard: Standard::Lines525,
        camera: CAMERAS[camera],
        sides: SIDES[sides],
        wobble: WOBBLES[wobble],
    });
    let outcomes = std::thread::scope(|scope| {
        cases
            .map(|case| scope.spawn(move || (case, case.play())))
            .map(|playing| playing.join().expect("it plays"))
    });
    for (case, outcome) in outcomes {
        assert!(outcome.coverage >= LEAST_COVERAGE, "{case}: {outcome:?}");
        assert_eq!(outcome.in_time(), Some(true), "{case}: {outcome:?}");
    }
}
