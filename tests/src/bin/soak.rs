//! Records for MINUTES (120) from a simulated sensor with faults every few seconds, and checks that the counters are
//! exact and that memory and file descriptors stay flat: `cargo run --release -p tests --bin soak -- MINUTES`.
#![allow(clippy::panic, reason = "a soak that cannot go on fails")]

fn main() {
    let minutes = std::env::args().nth(1).map_or(Ok(120.0), |text| text.parse());
    let minutes = minutes.unwrap_or_else(|_| panic!("usage: soak [MINUTES]"));
    println!("{:#}", tests::soak::soak(minutes).told);
}
