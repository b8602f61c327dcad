//! Writers for files other programs read: ISO 10303-21 and DXF.
