"""The family `workshop`: an instrument maker's automaton at the bench. We tune on this one."""

from demo_media.families.workshop.kinds import make

__all__ = ["make"]
