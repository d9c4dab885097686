"""Control modules: what they send, when, and what they answer."""
