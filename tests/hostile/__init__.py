"""Hostile input: files and peers that are wrong in every way that a machine can think of."""
