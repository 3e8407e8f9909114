"""What signals mean: platforms, databases, roles."""
