//! Places the labels of vertical lines above a plot so that no label covers another or another's line.
//!
//! Comes in: where each line stands and how wide its label is, in drawing units. Goes out: how high above the plot each
//! label hangs, and the room that all of them take. A label stands to the right of its own line, like a flag on a mast; a
//! mast passes every row below its flag's.
use super::style::LABEL;

/// Space kept between a label and what is to its right.
const SPACE: i32 = 12;
/// Height of a row of labels.
const ROW: i32 = LABEL + 12;

/// A label's place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Flag {
    /// Where its line stands.
    pub x: i32,
    /// Its top, above the plot's top edge.
    pub above: i32,
}

/// The labels above a plot.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Lane {
    /// The place of each, in the order given.
    pub flags: Vec<Flag>,
    /// The room they take.
    pub height: i32,
}

impl Lane {
    /// Places labels, given the x of each one's line and its width.
    pub fn new(masts: &[(i32, i32)]) -> Lane {
        let rows = rows(masts, SPACE);
        let above = |row: usize| ROW * (row as i32 + 1) + 6;
        Lane {
            flags: masts.iter().zip(&rows).map(|((x, _), row)| Flag { x: *x, above: above(*row) }).collect(),
            height: rows.iter().max().map_or(0, |most| above(*most)) + 8,
        }
    }
}

/// The row of each label, 0 the lowest, given the x of its line, its width, and the space to keep. The order of the
/// result is that of `flags`.
fn rows(flags: &[(i32, i32)], space: i32) -> Vec<usize> {
    let mut rightmost_first: Vec<usize> = (0..flags.len()).collect();
    rightmost_first.sort_by_key(|&n| std::cmp::Reverse((flags[n].0, n)));
    let mut rows = vec![0; flags.len()];
    for (placed, &n) in rightmost_first.iter().enumerate() {
        let (x, width) = flags[n];
        // A flag in this row would cover the masts of the flags to its right that hang as high or higher.
        let free = |row: usize| {
            rightmost_first[..placed]
                .iter()
                .all(|&right| rows[right] < row || flags[right].0 >= x + width + space)
        };
        rows[n] = (0..=placed).find(|row| free(*row)).unwrap_or(placed);
    }
    rows
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn labels_far_apart_share_the_lowest_row_and_close_ones_make_a_staircase() {
        assert_eq!(rows(&[(0, 100), (200, 100), (400, 100)], 10), [0, 0, 0]);
        assert_eq!(rows(&[(0, 100), (20, 100), (40, 100)], 10), [2, 1, 0]);
        assert_eq!(Lane::new(&[(0, 100), (20, 100)]).height, 2 * ROW + 14);
        assert!(Lane::new(&[]).flags.is_empty());
    }

    proptest! {
        #[test]
        fn no_label_covers_another_or_anothers_mast(
            flags in prop::collection::vec((0..2000_i32, 1..400_i32), 0..12),
        ) {
            let rows = rows(&flags, 8);
            for (n, (x, width)) in flags.iter().enumerate() {
                for (other, (mast, _)) in flags.iter().enumerate().filter(|(other, _)| *other != n) {
                    let reaches = rows[other] >= rows[n];
                    let to_the_left = (*mast, other) < (*x, n);
                    prop_assert!(!reaches || to_the_left || *mast >= x + width + 8, "{flags:?} {rows:?}");
                    prop_assert!(rows[n] < flags.len());
                }
            }
        }
    }
}
