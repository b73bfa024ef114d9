"""The Verdigris service, its media input and output, its jobs and its command line."""
