//! Butterworth low-pass filters in second-order sections: causal and zero-phase.
