//! Against published values: sources in `fixtures/wire/README.md`.

use crate::table::{Table, bytes};
use cobs::DecoderState;
use crc::{CRC_32_ISO_HDLC, Crc};
use firmware_protocol::counts;
use firmware_protocol::frame::{self, Accumulator, MAX_FRAME};

/// The catalogue's check value, in the frame that our encoder makes of "123456789". The frame holds no zero, so its
/// stuffing is one code byte and the delimiter, and the checksum stands there in plain sight.
#[test]
fn frame_ends_in_the_catalogues_check_value() {
    let mut encoded = [0; MAX_FRAME];
    let length = frame::encode(b"123456789", &mut encoded).unwrap();
    let expected = [&[14_u8][..], b"123456789", &0xCBF4_3926_u32.to_le_bytes(), &[0]].concat();
    assert_eq!(encoded[..length], expected);
}

/// Every column of the table's row for our checksum, through the frame encoder and the accumulator.
#[test]
fn checksums_of_the_table() {
    let table = Table::read("crc_vectors.csv");
    let row = table.rows().find(|row| row.get("name") == "CRC-32/ISO-HDLC").expect("our checksum");
    let inputs: [(&str, Vec<u8>); 8] = [
        ("check_123456789", b"123456789".to_vec()),
        ("byte_00", vec![0]),
        ("byte_FF", vec![0xFF]),
        ("ascii_A", b"A".to_vec()),
        ("zeros32", vec![0; 32]),
        ("ffs32", vec![0xFF; 32]),
        ("inc0_31", (0..32).collect()),
        ("dec31_0", (0..32).rev().collect()),
    ];
    for (column, body) in inputs {
        let expected = u32::from_str_radix(row.get(column).trim_start_matches("0x"), 16).unwrap();
        let mut encoded = [0; MAX_FRAME];
        let length = frame::encode(&body, &mut encoded).unwrap();
        let decoded = unstuff(&encoded[..length - 1]).expect("well stuffed");
        assert_eq!(decoded, [&body[..], &expected.to_le_bytes()].concat(), "{column}");
        assert_eq!(Accumulator::new().push(&mut &encoded[..length]), Some(Ok(&body[..])), "{column}");
    }
}

/// The residue: the checksum of anything with its checksum behind it, before the final inversion.
#[test]
fn residue_of_the_catalogue() {
    let algorithm = &CRC_32_ISO_HDLC;
    assert_eq!(algorithm.residue, 0xDEBB_20E3);
    let message = [&b"123456789"[..], &0xCBF4_3926_u32.to_le_bytes()].concat();
    assert_eq!(Crc::<u32>::new(algorithm).checksum(&message) ^ algorithm.xorout, algorithm.residue);
}

/// The stuffing vectors hold no checksum, so they go through the library's state machine, which the accumulator
/// drives, and the library's encoder, which [`frame::encode`] drives.
#[test]
fn stuffing_of_the_table() {
    for row in Table::read("cobs_vectors.csv").rows() {
        let (decoded, stuffed) =
            (row.bytes("decoded_hex"), bytes(&row.get("encoded_hex_without_delimiter").to_lowercase()));
        let mut encoded = vec![0; cobs::max_encoding_length(decoded.len()).max(1)];
        let length = cobs::try_encode(&decoded, &mut encoded).unwrap();
        assert_eq!(encoded[..length], stuffed, "{}", row.get("name"));
        assert_eq!(unstuff(&stuffed), Some(decoded), "{}", row.get("name"));
    }
}

/// The same vectors as bodies of whole frames: stuffing of ours undone by the plain definition, and back.
#[test]
fn bodies_of_the_table_travel() {
    for row in Table::read("cobs_vectors.csv").rows().filter(|row| row.get("name") != "empty") {
        let body = row.bytes("decoded_hex");
        let mut encoded = [0; MAX_FRAME];
        let length = frame::encode(&body, &mut encoded).unwrap();
        let decoded = unstuff_by_definition(&encoded[..length - 1]);
        assert_eq!(decoded[..body.len()], body, "{}", row.get("name"));
        assert_eq!(decoded.len(), body.len() + 4, "{}", row.get("name"));
        assert_eq!(Accumulator::new().push(&mut &encoded[..length]), Some(Ok(&body[..])));
    }
}

#[test]
fn converter_codes_of_the_table() {
    for row in Table::read("converter_codes.csv").rows() {
        let code = u32::from_str_radix(row.get("raw_hex"), 16).unwrap();
        let signed: i32 = row.get("signed_i32").parse().unwrap();
        let offset: u32 = row.get("offset_binary_xor_0x800000").parse().unwrap();
        let saturated = row.get("saturated") == "True";
        let expected = counts::Reading { counts: signed, saturated };
        assert_eq!(counts::twos_complement(code), expected, "{code:06x}");
        assert_eq!(counts::offset_binary(offset), expected, "{code:06x}");
        let spaced = bytes(&row.get("bytes_msb_first").replace(' ', ""));
        assert_eq!(counts::code_from_bytes(spaced.try_into().unwrap()), code);
        // A shift register that is read into a wider word leaves rubbish above the 24th bit.
        assert_eq!(counts::twos_complement(code | 0xA500_0000), expected);
        assert_eq!(counts::offset_binary(offset | 0xA500_0000), expected);
    }
}

/// Every code there is: both readings rise by one from code to code, and only the ends are saturated.
#[test]
fn every_converter_code() {
    for offset in 0..1_u32 << 24 {
        let reading = counts::offset_binary(offset);
        let expected = i32::try_from(offset).unwrap() - 8_388_608;
        assert_eq!(reading.counts, expected);
        assert_eq!(counts::twos_complement(offset ^ 0x80_0000), reading);
        assert_eq!(reading.saturated, offset == 0 || offset == 0xFF_FFFF);
    }
}

fn unstuff(stuffed: &[u8]) -> Option<Vec<u8>> {
    let (mut state, mut decoded) = (DecoderState::default(), Vec::new());
    for &byte in stuffed {
        if let cobs::DecodeResult::DataContinue(data) = state.feed(byte).ok()? {
            decoded.push(data);
        }
    }
    matches!(state.feed(0), Ok(cobs::DecodeResult::DataComplete)).then_some(decoded)
}

/// Cheshire & Baker: a code byte n stands for n − 1 bytes and then a zero, except that 255 brings no zero and the last
/// zero is not part of the data.
fn unstuff_by_definition(stuffed: &[u8]) -> Vec<u8> {
    let (mut decoded, mut at) = (Vec::new(), 0);
    while at < stuffed.len() {
        let end = at + usize::from(stuffed[at]);
        decoded.extend_from_slice(&stuffed[at + 1..end]);
        if stuffed[at] < 255 && end < stuffed.len() {
            decoded.push(0);
        }
        at = end;
    }
    decoded
}
