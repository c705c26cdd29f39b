//! Serial ports: finding, opening, the reader thread.
