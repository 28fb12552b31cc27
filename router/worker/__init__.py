"""Takes jobs from the store and works them off."""

from router.worker.loop import Worker

__all__ = ["Worker"]
