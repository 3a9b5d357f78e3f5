"""The floor in simulation: when is what stands here today ready, where does it wait, and what if?

`simulate` runs a `Floor` many times, all replications in lockstep in numpy, or compiled by numba
where that is installed, with the same numbers. `compare` sets two floors side by side under the same
chances; `parse_change` and `apply_changes` turn "painting people=3" into the second one.
"""
