//! See `tests::fuzz::frames`.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| tests::fuzz::frames(data));
