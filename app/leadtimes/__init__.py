"""Lead times: survival curves, a forecast that keeps its
own record, its backtest. Pure numpy; no database, no clock.
"""
