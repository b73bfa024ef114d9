"""The commands of the `verdigris` program, one module each, with `register(app)`.

Hides options and printed lines; the work itself is done by the rooms below.
"""
