"""The state of units on the day."""
