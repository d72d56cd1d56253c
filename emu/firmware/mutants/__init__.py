"""Mutants of the reference firmware: does the checker notice a slip in its C?"""
