"""Steps, transitions and stays: the rules (pure), and the one action that records a transition."""
