"""The CUDA engine. Importing this package needs neither a card nor CuPy.

Hides packing, launching and what stays in the card's memory.
"""
