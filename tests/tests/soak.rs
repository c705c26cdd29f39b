//! The soak, short: the counters and the descriptors, and that nothing grows at once. `--bin soak` runs it for hours.

use tests::soak::soak;
use tests::times;

#[test]
fn counters_stay_exact_and_nothing_grows_under_faults_without_end() {
    println!("{:#}", soak(times(1, 30) as f64 * 0.5).told);
}
