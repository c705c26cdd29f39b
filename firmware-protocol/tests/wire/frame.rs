//! Properties of frames and of the accumulator.

use crate::generate::{fixed, frame_of, noise};
use firmware_protocol::frame::{
    self, Accumulator, FaultCounts, FrameFault, FrameTooLong, MAX_BODY, MAX_FRAME, MAX_MESSAGE,
};
use proptest::prelude::*;

type Outcome = Result<Vec<u8>, FrameFault>;

fn outcomes(accumulator: &mut Accumulator, bytes: &[u8]) -> Vec<Outcome> {
    let (mut rest, mut outcomes) = (bytes, Vec::new());
    while let Some(outcome) = accumulator.push(&mut rest) {
        outcomes.push(outcome.map(<[u8]>::to_vec));
    }
    assert!(rest.is_empty());
    outcomes
}

fn count(outcomes: &[Outcome]) -> FaultCounts {
    let mut counts = FaultCounts::default();
    for fault in outcomes.iter().filter_map(|outcome| outcome.as_ref().err()) {
        match fault {
            FrameFault::Overlong => counts.overlong += 1,
            FrameFault::Malformed => counts.malformed += 1,
            FrameFault::Checksum => counts.checksum += 1,
            FrameFault::Short => counts.short += 1,
        }
    }
    counts
}

proptest! {
    #![proptest_config(fixed(512))]

    #[test]
    fn bodies_survive(body in proptest::collection::vec(any::<u8>(), 1..=MAX_MESSAGE)) {
        let encoded = frame_of(&body);
        prop_assert!(encoded.len() <= MAX_FRAME);
        prop_assert_eq!(encoded.iter().position(|&byte| byte == 0), Some(encoded.len() - 1));
        prop_assert_eq!(outcomes(&mut Accumulator::new(), &encoded), vec![Ok(body)]);
    }

    /// The promise of the accumulator: whatever came before, a good frame after a delimiter is read.
    #[test]
    fn a_good_frame_after_garbage_and_a_delimiter(
        garbage in noise(),
        body in proptest::collection::vec(any::<u8>(), 1..200),
    ) {
        let mut accumulator = Accumulator::new();
        let line = [&garbage[..], &[0], &frame_of(&body)].concat();
        let outcomes = outcomes(&mut accumulator, &line);
        prop_assert_eq!(outcomes.last(), Some(&Ok(body)));
        prop_assert_eq!(accumulator.counts(), count(&outcomes));
    }

    #[test]
    fn any_split_gives_the_same(
        pieces in proptest::collection::vec(
            prop_oneof![noise(), proptest::collection::vec(any::<u8>(), 1..300).prop_map(|b| frame_of(&b))], 0..6),
        cuts in proptest::collection::vec(1..97_usize, 1..8),
    ) {
        let line = pieces.concat();
        let mut whole = Accumulator::new();
        let expected = outcomes(&mut whole, &line);

        let (mut split, mut got, mut rest) = (Accumulator::new(), Vec::new(), &line[..]);
        for cut in cuts.iter().cycle() {
            let (piece, after) = rest.split_at((*cut).min(rest.len()));
            got.extend(outcomes(&mut split, piece));
            rest = after;
            if rest.is_empty() {
                break;
            }
        }
        prop_assert_eq!(got, expected);
        prop_assert_eq!(split.counts(), whole.counts());
    }

    /// A damaged byte never turns a frame into a different one, and costs at most the frames that it touches.
    #[test]
    fn damage_is_seen(
        body in proptest::collection::vec(any::<u8>(), 1..300),
        at in any::<proptest::sample::Index>(),
        flip in 1..=255_u8,
    ) {
        let (mut damaged, good) = (frame_of(&body), frame_of(b"next"));
        let at = at.index(damaged.len());
        damaged[at] ^= flip;
        let last = at == damaged.len() - 1;
        let outcomes = outcomes(&mut Accumulator::new(), &[damaged, good.clone(), good].concat());
        let bodies: Vec<_> = outcomes.iter().filter_map(|outcome| outcome.clone().ok()).collect();
        prop_assert!(bodies.iter().all(|body| body == b"next"), "{:?}", bodies);
        // Without its delimiter it takes the next frame with it.
        prop_assert_eq!(bodies.len(), if last { 1 } else { 2 });
    }
}

/// The longest frame is exactly [`MAX_FRAME`] long: 1024 bytes without a zero.
#[test]
fn the_longest_frame_fits_exactly() {
    let body = (1..=255_u8)
        .map(|first| {
            let mut body = [b'U'; MAX_MESSAGE];
            body[0] = first;
            body
        })
        .find(|body| frame_of(body).len() == MAX_FRAME)
        .expect("a checksum without a zero");
    let mut out = [0; MAX_FRAME];
    assert_eq!(frame::encode(&body, &mut out[..MAX_FRAME - 1]), Err(FrameTooLong));
    assert_eq!(frame::encode(&body, &mut out), Ok(MAX_FRAME));
    assert_eq!(outcomes(&mut Accumulator::new(), &out), [Ok(body.to_vec())]);
}

#[test]
fn what_does_not_fit_is_refused() {
    let mut out = [0; 2 * MAX_FRAME];
    assert_eq!(frame::encode(&[0; MAX_MESSAGE + 1], &mut out), Err(FrameTooLong));
    for body in [&[0_u8; 12][..], b"no zero", &[0xFF; 600]] {
        let needed = frame_of(body).len();
        for room in 0..needed {
            assert_eq!(frame::encode(body, &mut out[..room]), Err(FrameTooLong), "{room} of {needed}");
        }
        assert_eq!(frame::encode(body, &mut out[..needed]), Ok(needed));
    }
}

#[test]
fn an_empty_body_is_short_to_every_receiver() {
    assert_eq!(outcomes(&mut Accumulator::new(), &frame_of(&[])), [Err(FrameFault::Short)]);
}

/// A line stuck without a delimiter shows in the counters before one comes, once.
#[test]
fn overlong_counts_as_soon_as_it_is_certain() {
    let mut accumulator = Accumulator::new();
    assert_eq!(outcomes(&mut accumulator, &[1; MAX_BODY + 1]), []);
    assert_eq!(accumulator.counts().overlong, 0, "1024 decoded bytes are allowed");
    assert_eq!(outcomes(&mut accumulator, &[1; 5000]), []);
    assert_eq!(accumulator.counts(), FaultCounts { overlong: 1, ..Default::default() });
    assert_eq!(outcomes(&mut accumulator, &[0]), [Err(FrameFault::Overlong)]);
    assert_eq!(accumulator.counts().total(), 1);
}

#[test]
fn reset_forgets_a_partial_frame_and_keeps_the_counts() {
    let good = frame_of(b"good");
    for partial in [&[9_u8, 1, 2][..], &[1; 3000]] {
        let mut accumulator = Accumulator::new();
        assert_eq!(outcomes(&mut accumulator, partial), []);
        let before = accumulator.counts();
        accumulator.reset();
        assert_eq!(outcomes(&mut accumulator, &good), [Ok(b"good".to_vec())]);
        assert_eq!(accumulator.counts(), before);
    }
}

/// The buffer is part of the value: nothing grows.
#[test]
fn memory_is_fixed() {
    assert!(size_of::<Accumulator>() <= MAX_BODY + 64, "{}", size_of::<Accumulator>());
}

#[test]
fn faults_explain_themselves() {
    for (fault, text) in [
        (FrameFault::Overlong, "longer than allowed"),
        (FrameFault::Malformed, "stuffing does not end at the delimiter"),
        (FrameFault::Checksum, "checksum does not match"),
        (FrameFault::Short, "too short"),
    ] {
        assert!(fault.to_string().contains(text), "{fault}");
    }
    assert!(FrameTooLong.to_string().contains("longer than 1020 bytes"), "{FrameTooLong}");
}
