"""Use cases: what the product does, whoever asks for it."""
