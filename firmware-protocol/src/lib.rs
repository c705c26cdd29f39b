//! What travels between a force sensor's board and the host.
#![cfg_attr(not(test), no_std)]
