"""Is this screen keyable? Measures of sampled frames, limits, a verdict with reasons.

Hides which frames are looked at and how they become one answer.
"""
