"""Run by the interpreter of the witnesses: what python-vxi11 gets from a VXI-11 server, as JSON."""

import json
import sys

import vxi11  # type: ignore[import-not-found]
from vxi11.vxi11 import CoreClient  # type: ignore[import-not-found]

port = int(sys.argv[1])


def opened() -> "vxi11.Instrument":
    """Without a portmapper, which would need root."""
    one = vxi11.Instrument("127.0.0.1", "inst0")
    one.client = CoreClient("127.0.0.1", port)
    one.open()
    return one


client, other = opened(), opened()
told = {"identity": client.ask("*IDN?")}
client.write("SENS:SWE:POIN 500000;:TRIG:SOUR IMM;:FORM INT,8;:INIT")
told["done"] = client.ask("*OPC?")
block = client.ask_raw(b"FETC:VOLT? (@1)")
told["block_head"] = block[:8].decode()
told["block_bytes"] = len(block)
client.lock()
try:
    other.ask("*IDN?")
except vxi11.vxi11.Vxi11Exception as error:
    told["locked_out"] = error.err
client.unlock()
told["unlocked"] = other.ask("*IDN?")
client.write("BOGUS")

told["error"] = client.ask("SYST:ERR?")
client.write("*IDN?")
client.clear()
told["after_clear"] = client.ask("*OPC?")
client.trigger()
client.close()
other.close()
print(json.dumps(told))
