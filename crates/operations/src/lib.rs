//! What a person can have done, each once
