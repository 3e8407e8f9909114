"""Why did the engine keep running? The API, the command and the web pages."""
