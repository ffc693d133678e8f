//! The public contract as Rust: generated messages, clients and servers, and nothing that decides.
//!
//! Conversions to and from the model live in `convert`; they name every wire field, so that a new
//! one stops the build.

pub mod convert;
pub mod json;
pub mod words;

/// Generated from `proto/wheeltap/v1`; the comments there are the documentation.
#[allow(
    missing_docs,
    clippy::all,
    clippy::pedantic,
    clippy::unwrap_used,
    clippy::allow_attributes_without_reason,
    reason = "generated code follows its generator's style"
)]
pub mod v1 {
    tonic::include_proto!("wheeltap.v1");
}

/// The metadata key under which a call says who acts: the name in UTF-8, as gRPC sends binary metadata. The
/// contract's `common.proto` says what such a name must look like.
pub const PERSON_KEY: &str = "wheeltap-person-bin";

/// The serialized `FileDescriptorSet` of the contract, for the reflection service.
pub const DESCRIPTORS: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/descriptors.bin"));
