//go:build linux

package bench

import (
	"net"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
)

// Masters on libmodbus and pymodbus, which nobody here wrote, must read from
// the simulated instruments what is in them: 123.45 kN is the binary32
// 0x42F6E666, 123450 N 0x0001E23A and 12345 x 10 N 0x3039; 61 bar is 0x17D4 in
// 0.01 bar, the binary32 0x42740000 and 0x005D1420 Pa.
const mastersRead = `load-input 42f6 e666 0001 0001 e23a 3039 3039 0001 e23a 0000 e666 42f6 f642 66e6 66e6 f642 0000 0007 e23a 0001 0100 3ae2 3ae2 0100 e23a 0001 0100 3ae2 3ae2 0100 3930 3930
load-holding 42f6 e666 0001 0001 e23a 3039 3039 0001 e23a 0000 e666 42f6 f642 66e6 66e6 f642 0000 0007 e23a 0001 0100 3ae2 3ae2 0100 e23a 0001 0100 3ae2 3ae2 0100 3930 3930
load-discrete 1 0 0
load-coils 1 0 0
beyond exception 2
write exception 1
gauge-input 17d4 0000 4274 0000 005d 1420
`

// overTCPAndDevice runs a master against the instruments on Modbus TCP and on
// a pseudo-terminal.
func overTCPAndDevice(t *testing.T, master ...string) {
	t.Helper()
	run := func(l *Line, how ...string) {
		t.Helper()
		served(t, l)
		command := append(append([]string{}, master...), how...)
		out, err := exec.CommandContext(t.Context(), command[0], command[1:]...).CombinedOutput()
		if err != nil || string(out) != mastersRead {
			t.Errorf("%s: %v\n%s\nwant\n%s", how[0], err, out, mastersRead)
		}
		want := map[byte]int{1: 1, 2: 1, 3: 1, 4: 3, 6: 1}
		if got := l.Functions(); !reflect.DeepEqual(got, want) || l.Garbled() != 0 {
			t.Errorf("%s: functions %v, want %v; %d garbled", how[0], got, want, l.Garbled())
		}
	}
	tcp := steady(t, LineSettings{Kind: TCP, Address: "127.0.0.1:0"})
	host, port, err := net.SplitHostPort(tcp.Address())
	if err != nil {
		t.Fatal(err)
	}
	run(tcp, "tcp", host, port)
	rtu := steady(t, LineSettings{Kind: RTU, Device: filepath.Join(t.TempDir(), "rs485")})
	run(rtu, "rtu", rtu.Address())
}

func TestLibmodbusReadsTheInstruments(t *testing.T) {
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		t.Skip("libmodbus is not installed: apt-get install libmodbus-dev pkg-config gcc")
	}
	master := filepath.Join(t.TempDir(), "mbmaster")
	arguments := append([]string{"-o", master, "testdata/mbmaster.c"}, strings.Fields(string(flags))...)
	if out, err := exec.Command("gcc", arguments...).CombinedOutput(); err != nil {
		t.Fatalf("gcc: %v\n%s", err, out)
	}
	overTCPAndDevice(t, master)
}

func TestPymodbusReadsTheInstruments(t *testing.T) {
	const python = "/usr/bin/python3" // the one that Debian's packages are for
	if exec.Command(python, "-c", "import pymodbus.client, serial").Run() != nil {
		t.Skip("pymodbus is not installed: apt-get install python3-pymodbus python3-serial-asyncio")
	}
	overTCPAndDevice(t, python, "testdata/pymaster.py")
}
