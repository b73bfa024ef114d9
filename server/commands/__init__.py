"""The commands of the `verdigris` program, one module each, with `register(app)`."""
