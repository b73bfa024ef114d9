"""The CUDA engine. Importing this package needs neither a card nor CuPy."""
