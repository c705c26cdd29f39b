//! Traces: samples from CSV files and HDF5 datasets.
