"""The operations on the processor, by the same plan as the card.

Hides tiles, threads and which library serves which filter.
"""
