"""Long work on a shot without a page: suggest, prepare, render, the demo.

Hides clean plates, baked folders and how a first recipe is arranged.
"""
