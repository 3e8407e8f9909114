"""For whoever writes a platform: proposals from a log's behaviour, checks against logs, golden frames, learnt rules."""
