"""Pictures, one builder a question."""
