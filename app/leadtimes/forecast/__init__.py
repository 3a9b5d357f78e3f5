"""Ranges for what remains of every open piece, from several methods and their own record."""
