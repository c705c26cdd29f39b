//! See `tests::fuzz::messages`.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| tests::fuzz::messages(data));
