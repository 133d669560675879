"""The invented campaign and the truth it is made from."""

from buffet.demo.campaign import write_demo
from buffet.demo.schedule import DEFAULT_SEED, DemoSettings

__all__ = ["DEFAULT_SEED", "DemoSettings", "write_demo"]
