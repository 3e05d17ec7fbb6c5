"""Worlds that judge the mixture's delay: other motion and another engine than sample_logs/simulate.py. Never tune here.

cd tests && python -m mixture_worlds.judge            # every world, 24 drives each
"""
