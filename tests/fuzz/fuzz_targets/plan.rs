//! See `tests::fuzz::plan`.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| tests::fuzz::plan(data));
