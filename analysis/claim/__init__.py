"""The claim pack: evidence that a stranger can check."""
