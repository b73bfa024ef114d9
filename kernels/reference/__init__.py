"""The reference implementation: NumPy and SciPy, written to be read. Never imports CuPy.

Hides nothing: it is the definition of every operation.
"""
