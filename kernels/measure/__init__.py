"""What is measured in pictures: the screen's fit, survey measures, noise, codec marks.

Hides estimators; returns numbers, maps and models.
"""
