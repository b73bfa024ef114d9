"""The recipe while people change it: writes, revisions, undo, files, notes.

Hides paths, conflicts and how a file on disk follows.
"""
