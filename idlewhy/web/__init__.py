"""The web pages and the HTTP API: upload a log, get the answer. Needs the extra `web`."""
