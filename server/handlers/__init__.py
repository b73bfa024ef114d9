"""What each message from a page leads to."""

from server.handlers import looking, measuring, people, recipe, work
from server.handlers.dispatch import receive

__all__ = ["looking", "measuring", "people", "receive", "recipe", "work"]
