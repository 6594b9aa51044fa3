"""What every test shares: a property test is judged by what it finds, not by how busy the machine was."""

from hypothesis import settings

settings.register_profile("ebbmark", deadline=None)
settings.load_profile("ebbmark")
