"""How an animal was painted, zone by zone, and finding it again."""
