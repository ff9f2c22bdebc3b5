"""The front door: command line, and later the settings file, the loop, the log and the report."""
