"""One picture released to the customer's page."""
