"""Routines: ordered steps for both arms, as taught, and their files."""
