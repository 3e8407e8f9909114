"""Pictures, one builder a question: an analysis in, a `reports.picture.Picture` out, no file, no page."""
