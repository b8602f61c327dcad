//! The job document, its operations, history, replay, saving and recovery.
