//! The physical simulator of an invented railway.
