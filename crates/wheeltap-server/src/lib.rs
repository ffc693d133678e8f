//! The pipeline, the gRPC services, access control and configuration.
