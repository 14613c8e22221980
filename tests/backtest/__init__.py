"""A fleet's winter and two summers, simulated and folded: how early is damage foreseen, and how often is it cried for nothing?"""
