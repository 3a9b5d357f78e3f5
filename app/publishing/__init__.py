"""Writing the customers' pages into the pages file, within seconds of a change."""
