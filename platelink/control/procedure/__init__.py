"""A plate from its first step to its last: the recipe's steps in order, several plates in progress.

ISA-88 (IEC 61512): the plate is the procedure, the place where work is done the unit procedure, a
step the operation, and what a step is doing its phase. Pure.
"""
