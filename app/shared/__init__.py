"""What every room leans on: database, clock, calendar, settings, errors, web."""
