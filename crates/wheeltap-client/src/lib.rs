//! The client: a gateway with a durable spool, watch with resume, page iterators.
