"""From the recipe to pictures for each viewer: what to make next, and making it.

Hides the thread that owns the engine, windows, drafts and encoding.
"""
