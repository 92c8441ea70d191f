"""What a master of the trade would advise: dose arithmetic, water chemistry, the next step and the progress.

In: records and `now`. Out: `Dose`, `Step`, `Progress`. Pure functions of the log: the same history gives the same
advice, and every rule carries its source or says that it is common practice.
"""
