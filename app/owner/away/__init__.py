"""Who is away, and which machine is out of use, from which day to which."""
