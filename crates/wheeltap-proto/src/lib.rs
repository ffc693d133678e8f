//! Generated gRPC code and its conversions to and from the model.
