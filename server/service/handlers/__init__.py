"""What each message from a page leads to."""

from server.service.handlers import looking, measuring, people, recipe, work
from server.service.handlers.dispatch import receive

__all__ = ["looking", "measuring", "people", "receive", "recipe", "work"]
