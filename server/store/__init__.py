"""Frames kept within a budget: engine memory, host memory, disk.

Hides who is evicted, what is read ahead and how decoders are fed.
"""
