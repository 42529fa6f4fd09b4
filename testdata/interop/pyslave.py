"""A Modbus peer made of pymodbus 3.0.0, for tests that need one nobody here wrote.

    pyslave.py tcp PORT REGISTERS.csv           serve on 127.0.0.1 (PORT 0: any free one)
    pyslave.py rtu DEVICE UNIT REGISTERS.csv    serve on a serial device at 19200 8N1

README.md tells the rest: what it prints, what it is told on standard input, and
how registers are written down.
"""

import asyncio
import csv
import os
import sys
import threading
from collections import Counter

from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext, ModbusSlaveContext
from pymodbus.factory import ServerDecoder
from pymodbus.framer.rtu_framer import ModbusRtuFramer
from pymodbus.server import StartAsyncSerialServer, StartAsyncTcpServer

REGISTERS = 64
BITS = 16

asked = Counter()


class RecordingDecoder(ServerDecoder):
    """Counts every request by its function code, known or not."""

    def decode(self, message):
        asked[message[0]] += 1
        return super().decode(message)


def put_words(tables, table, at, words):
    """Put words written in hexadecimal into a table, all or none."""
    values = [int(word, 16) for word in words]
    if not values or at < 0 or at + len(values) > REGISTERS or max(values) > 0xFFFF:
        raise ValueError(f"{len(values)} words at {at} do not fit")
    tables[table].values[at : at + len(values)] = values


def load_registers(path):
    """Return the tables of registers by name."""
    tables = {name: ModbusSequentialDataBlock(0, [0] * REGISTERS) for name in ("input", "holding")}
    with open(path, newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            put_words(tables, row["table"], int(row["register"]), row["words"].split())
    return tables


def bits(pattern):
    """Return a table of bits, the lowest first."""
    return ModbusSequentialDataBlock(0, [bool(pattern >> i & 1) for i in range(BITS)])


def obey(tables):
    """Do what standard input says until nobody is there any more to say it."""
    for line in sys.stdin:
        words = line.split()
        if words == ["functions"]:
            counts = [f"{code}:{count}" for code, count in sorted(asked.items())]
            print("functions", *counts, "broken:0", flush=True)
            continue
        try:
            put_words(tables, words[0], int(words[1]), words[2:])
            print("done", flush=True)
        except (IndexError, KeyError, ValueError):
            print("refused", flush=True)
    os._exit(0)


async def serve(arguments):
    """Serve until the process ends."""
    kind, place, *unit, path = arguments
    tables = load_registers(path)
    slave = ModbusSlaveContext(
        ir=tables["input"], hr=tables["holding"], co=bits(0xA5C3), di=bits(0x5A3C), zero_mode=True
    )
    if kind == "tcp":
        context = ModbusServerContext(slaves=slave, single=True)
        server = await StartAsyncTcpServer(context=context, address=("127.0.0.1", int(place)), defer_start=True)
        server.decoder = RecordingDecoder()
        serving = asyncio.create_task(server.serve_forever())
        await server.serving
        host, port = server.server.sockets[0].getsockname()
        print(f"ready {host}:{port}", flush=True)
    else:
        context = ModbusServerContext(slaves={int(unit[0]): slave}, single=False)
        server = await StartAsyncSerialServer(
            context=context, framer=ModbusRtuFramer, port=place, baudrate=19200, parity="N", defer_start=True
        )
        server.decoder = RecordingDecoder()
        await server.start()
        serving = asyncio.create_task(server.serve_forever())
        print(f"ready {place}", flush=True)
    threading.Thread(target=obey, args=(tables,), daemon=True).start()
    await serving


if __name__ == "__main__":
    if len(sys.argv) not in (4, 5) or sys.argv[1] not in ("tcp", "rtu"):
        sys.exit("usage: pyslave.py tcp PORT REGISTERS | rtu DEVICE UNIT REGISTERS")
    asyncio.run(serve(sys.argv[1:]))
