"""Where the soil goes: balance, loads, heap."""

from terrain.haul.balance import Balance, SoilBalance, SoilWork, balance
from terrain.haul.haulage import Haulage, haulage
from terrain.haul.heap import ConeHeap, cone_heap
from terrain.haul.loads import Truck, load_volume, loads

__all__ = [
    "Balance",
    "ConeHeap",
    "Haulage",
    "SoilBalance",
    "SoilWork",
    "Truck",
    "balance",
    "cone_heap",
    "haulage",
    "load_volume",
    "loads",
]
