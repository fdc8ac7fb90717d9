use super::*;
use crate::compare::reel::{OTHER, PLAIN, Reel};

/// The place on the tape of every aligned field of the second pass must be that of its counterpart.
fn check(first: &[usize], second: &[usize], reel: &Reel) -> Vec<Piece> {
    let pieces = align(
        &reel.played(first.iter().copied(), PLAIN),
        &reel.played(second.iter().copied(), OTHER),
    );
    let mut wrong = 0;
    for piece in &pieces {
        for field in piece.fields.clone() {
            let (here, there) = (
                first[(field + piece.offset) as usize],
                second[field as usize],
            );
            let alike = reel.fields[here]
                .iter()
                .zip(&reel.fields[there])
                .all(|(a, b)| (a - b).abs() < 1e-9);
            wrong += usize::from(!alike);
        }
    }
    assert_eq!(wrong, 0, "{pieces:?}");
    pieces
}

fn aligned(pieces: &[Piece]) -> i64 {
    pieces
        .iter()
        .map(|piece| piece.fields.end - piece.fields.start)
        .sum()
}

#[test]
fn a_pass_that_starts_elsewhere_is_placed_to_the_field() {
    let reel = Reel::shot(3, 30_000);
    for (from, length) in [(9_137, 5_000), (0, 3_000), (27_411, 2_589)] {
        let first: Vec<usize> = (0..30_000).collect();
        let second: Vec<usize> = (from..from + length).collect();
        let pieces = check(&first, &second, &reel);
        let expected = Piece {
            fields: 0..length as i64,
            offset: from as i64,
        };
        assert_eq!(pieces, [expected]);
    }
}

#[test]
fn a_pass_that_begins_before_the_other_and_ends_after_it_shares_its_middle() {
    let reel = Reel::shot(4, 12_000);
    let first: Vec<usize> = (3_001..9_000).collect();
    let second: Vec<usize> = (0..12_000).collect();
    let pieces = check(&first, &second, &reel);
    assert_eq!(pieces.len(), 1, "{pieces:?}");
    assert_eq!(pieces[0].offset, -3_001);
    assert!(aligned(&pieces) >= 5_999 - 60, "{pieces:?}");
}

#[test]
fn frames_lost_and_shown_again_in_either_pass_part_it_where_it_happened() {
    let reel = Reel::shot(5, 9_000);
    let whole: Vec<usize> = (0..9_000).collect();
    let lost: Vec<usize> = (500..8_800)
        .filter(|field| !(4_010..4_012).contains(field))
        .collect();
    let mut repeated: Vec<usize> = (500..3_000).collect();
    repeated.extend(2_998..8_800);
    for other in [&lost, &repeated] {
        for (first, second) in [(&whole, other), (other, &whole)] {
            let pieces = check(first, second, &reel);
            assert_eq!(pieces.len(), 2, "{pieces:?}");
            assert_eq!((pieces[1].offset - pieces[0].offset).abs(), 2, "{pieces:?}");
            assert!(aligned(&pieces) >= 8_290, "{pieces:?}");
        }
    }
}

#[test]
fn several_losses_and_a_stop_leave_the_rest_in_place() {
    let reel = Reel::shot(6, 20_000);
    let whole: Vec<usize> = (0..20_000).collect();
    let gone = [2_000..2_020, 5_500..5_502, 6_100..6_104, 11_000..14_000];
    let second: Vec<usize> = whole
        .iter()
        .copied()
        .filter(|field| !gone.iter().any(|gone| gone.contains(field)))
        .collect();
    let pieces = check(&whole, &second, &reel);
    assert_eq!(pieces.len(), 5, "{pieces:?}");
    assert!(aligned(&pieces) >= second.len() as i64 - 200, "{pieces:?}");
}

#[test]
fn other_tapes_and_still_pictures_are_not_aligned() {
    let (reel, other) = (Reel::shot(7, 20_000), Reel::shot(8, 20_000));
    let pieces = align(
        &reel.played(0..20_000, PLAIN),
        &other.played(0..20_000, OTHER),
    );
    assert_eq!(pieces, []);
    let still = Reel {
        fields: vec![reel.fields[0]; 3_000],
    };
    let pieces = align(
        &still.played(0..3_000, PLAIN),
        &still.played(0..3_000, OTHER),
    );
    assert_eq!(pieces, []);
}
