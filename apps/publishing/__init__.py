"""Editions and the sheets made from them."""
