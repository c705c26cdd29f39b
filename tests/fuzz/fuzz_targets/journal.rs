//! See `tests::fuzz::journal`.
#![no_main]
libfuzzer_sys::fuzz_target!(|data: &[u8]| tests::fuzz::journal(data));
