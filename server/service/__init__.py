"""The running service: who is there, what they ask, jobs and takes they start.

Hides dispatch, feeds by the clock and the watched folder.
"""
