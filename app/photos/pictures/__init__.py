"""Pictures as files: where they lie, how they are opened in child processes, what is measured."""
