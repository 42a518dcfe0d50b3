"""What all tests share."""

from hypothesis import settings

# The machine is shared and noisy: how long one example takes says nothing about the code.
settings.register_profile("hilkit", deadline=None)
settings.load_profile("hilkit")
