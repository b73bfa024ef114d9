"""The reference implementation: NumPy and SciPy, written to be read. Never imports CuPy."""
