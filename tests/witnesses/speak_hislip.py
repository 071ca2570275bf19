"""Run by the interpreter of the witnesses: what cPyHiSLIP gets from the HiSLIP server at a port, as JSON.

Locking comes last: after it, this client no longer says of an answer that it was delivered, and whoever asks
then is rightly told that he interrupts.
"""

import json
import sys

import cPyHiSLIP  # type: ignore[import-not-found]

client = cPyHiSLIP.HiSLIP()
client.connect(b"127.0.0.1", port=int(sys.argv[1]))
client.set_timeout(10_000)  # milliseconds
told = {"identity": client.ask(b"*IDN?").decode()}
client.write(b"SENS:SWE:POIN 500000;:TRIG:SOUR IMM;:FORM INT,8;:INIT")
told["done"] = client.ask(b"*OPC?").decode()
block = bytes(client.ask(b"FETC:VOLT? (@1)"))
told["block_head"] = block[:8].decode()
told["block_bytes"] = len(block)
client.write(b"BOGUS")
told["error"] = client.ask(b"SYST:ERR?").decode()
client.write(b"BOGUS")
told["event"] = client.ask(b"*ESR?").decode()
told["status"] = client.status_query()
client.device_clear()
told["after_clear"] = client.ask(b"*IDN?").decode()
told["locked"] = client.request_lock()
told["lock_info"] = list(client.lock_info())
told["released"] = client.release_lock()
print(json.dumps(told))
