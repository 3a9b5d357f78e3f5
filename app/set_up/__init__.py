"""Setting a workshop up in a browser: what is done, what is not, how it is reached and sends."""
