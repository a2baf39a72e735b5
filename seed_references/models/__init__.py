"""One physical model per file; each offers `MODELS`, a tuple of `seed_references.model.Model`."""
