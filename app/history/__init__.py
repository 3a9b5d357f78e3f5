"""History in, and out: a studio's earlier sheet brought in, everything handed out again."""
