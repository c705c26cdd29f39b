//! Runs a command that opens HDF5 files in a child process with limits on memory and time.
