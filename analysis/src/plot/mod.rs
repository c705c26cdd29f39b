//! Plots of recordings (SVG and PNG).
