"""Accounts, sign-in, and what each role may do."""
