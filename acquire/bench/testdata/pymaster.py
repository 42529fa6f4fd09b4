"""Reads the simulated instruments with pymodbus:
pymaster.py tcp HOST PORT | pymaster.py rtu DEVICE"""
import sys

from pymodbus.client import ModbusSerialClient, ModbusTcpClient


def show(name, answer, values, form):
    if answer.isError():
        code = getattr(answer, "exception_code", None)
        print(name, f"failed: {answer}" if code is None else f"exception {code}")
    else:
        print(name, *(format(int(v), form) for v in values(answer)))


def words(answer):
    return answer.registers


def bits(answer):
    return answer.bits[:3]


if sys.argv[1] == "tcp":
    client = ModbusTcpClient(sys.argv[2], port=int(sys.argv[3]), timeout=10)
else:
    client = ModbusSerialClient(sys.argv[2], baudrate=19200, parity="N", timeout=10)
if not client.connect():
    sys.exit("no connection")
show("load-input", client.read_input_registers(0, 32, slave=1), words, "04x")
show("load-holding", client.read_holding_registers(0, 32, slave=1), words, "04x")
show("load-discrete", client.read_discrete_inputs(0, 3, slave=1), bits, "x")
show("load-coils", client.read_coils(0, 3, slave=1), bits, "x")
show("beyond", client.read_input_registers(30, 3, slave=1), words, "04x")
show("write", client.write_register(0, 1, slave=1), words, "04x")
show("gauge-input", client.read_input_registers(0, 6, slave=2), words, "04x")
client.close()
