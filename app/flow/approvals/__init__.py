"""What of an order its customer approves: the rule, its rows, and the gates that follow."""
