//! Pictures of scans and features without a window.
