"""The socket between recorder and screens."""
