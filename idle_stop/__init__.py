"""Whether idle-stop was allowed or refused, and why."""
