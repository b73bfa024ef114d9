"""Numerics of Verdigris: arrays in, arrays out. Never imports the server."""
