"""Numerics of Verdigris: arrays in, arrays out. Never imports the server.

Hides which machine does the work; a recipe means the same on each.
"""
