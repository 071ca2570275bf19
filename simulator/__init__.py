"""A simulated bench: scope, probes, wires, serial adapter, target board. Written from the standards alone.

From a command line: `python -m simulator --help`. In a test:

    from simulator.bench import open_benches

    with open_benches(count=1, firmware="good", bench="good", seed=1, baud=230400, frame="8N1",
                      memory=1_000_000, clock="virtual", faults=()) as benches:
        benches[0].addresses.socket    # "TCPIP::127.0.0.1::PORT::SOCKET"
        benches[0].addresses.hislip    # "TCPIP::127.0.0.1::hislip0,PORT::INSTR"
        benches[0].addresses.vxi11     # "TCPIP::127.0.0.1,PORT::INSTR"
        benches[0].addresses.serial    # "socket://127.0.0.1:PORT"
        benches[0].addresses.pty       # "/dev/pts/N"
        benches[0].plan                # the truth: every level, rate, error of this bench

Clocks: "real" follows the monotonic clock. With "virtual" bench time stands still, except that each message
to the scope takes 0.5 ms and that waiting jumps to the next thing that is known to come (asking for the
status is waiting, too); what one write to the serial link sets off is over at once. The same seed and the
same messages then give the same codes. Bytes that belong together must come in one write.
"""
