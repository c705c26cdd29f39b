//! See `tests::fuzz::set`.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| tests::fuzz::set(data));
