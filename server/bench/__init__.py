"""Measuring Verdigris itself: speed, the ground-truth table, engine against engine.

Hides loopback services and their simulated pages.
"""
