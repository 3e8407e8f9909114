"""Many vehicles over weeks."""
