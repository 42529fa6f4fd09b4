package main_test

import (
	"encoding/csv"
	"errors"
	"math"
	"net"
	"os"
	"strconv"
	"testing"
	"time"

	"thimbled/acquire/modbus"
	"thimbled/acquire/serialport"
)

// peerUnit is the unit that the peers on a line answer for.
const peerUnit = 7

// interopPeers are the servers that our client must understand, each with how
// our client reaches it.
var interopPeers = []struct {
	name    string
	start   func(testing.TB) *peer
	connect func(testing.TB, string) *modbus.Client
}{
	{"libmodbus TCP", libmodbusTCP, connectTCP},
	{"libmodbus RTU", func(t testing.TB) *peer { return libmodbusRTU(t, peerUnit) }, connectRTU},
	{"libmodbus RTU over TCP", func(t testing.TB) *peer { return libmodbusRTU(t, peerUnit) }, connectRTUOverTCP},
	{"pymodbus TCP", pymodbusTCP, connectTCP},
	{"pymodbus RTU", func(t testing.TB) *peer { return pymodbusRTU(t, peerUnit) }, connectRTU},
}

// TestPeersAreUnderstood reads from servers that were written elsewhere: every
// table, every type in every order, what does not exist, and what changes.
func TestPeersAreUnderstood(t *testing.T) {
	for _, kind := range interopPeers {
		t.Run(kind.name, func(t *testing.T) {
			t.Parallel()
			p := kind.start(t)
			client := kind.connect(t, p.place)
			rows := peerRegisters(t)
			for _, row := range rows {
				checkNumber(t, client, row)
			}
			checkBits(t, client, modbus.Coils, 0xa5c3)
			checkBits(t, client, modbus.DiscreteInputs, 0x5a3c)
			for range 3 {
				checkRefusal(t, client)
				checkNumber(t, client, rows[0])
			}
			checkChanges(t, client, p)
			checkCounts(t, client, p)
		})
	}
}

// TestPeerBesideDeadNeighbour asks a unit that is not there between readings of
// one that is. libmodbus then waits half a second for the neighbour's answer, as
// real instruments do, and takes a request that comes sooner for it. On a busy
// machine it may be later still and miss a request, but no reading may be wrong
// and good ones must come back.
func TestPeerBesideDeadNeighbour(t *testing.T) {
	t.Parallel()
	client := connectRTU(t, libmodbusRTU(t, peerUnit).place)
	for _, row := range peerRegisters(t)[:4] {
		for tries := 1; ; tries++ {
			request := row.request()
			request.Timeout = time.Second
			data, _, err := client.Read(t.Context(), request)
			if err == nil {
				row.check(t, data)
				break
			}
			if tries == 10 || !errors.Is(err, modbus.ErrTimeout) {
				t.Fatalf("beside a dead neighbour, try %d: %v", tries, err)
			}
		}
		dead := modbus.Request{Unit: peerUnit + 1, Table: modbus.Input, Address: 0, Count: 2, Timeout: 50 * time.Millisecond}
		if data, _, err := client.Read(t.Context(), dead); !errors.Is(err, modbus.ErrTimeout) || modbus.Lost(err) {
			t.Errorf("a unit that is not there gave % x, %v", data, err)
		}
	}
}

// registerRow is one number in a peer's registers.
type registerRow struct {
	table   modbus.Table
	address uint16
	kind    modbus.Type
	order   modbus.Order
	value   float64 // NaN or infinite for what is no number
}

func peerRegisters(t testing.TB) []registerRow {
	t.Helper()
	file, err := os.Open(peerFile(t, "registers.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []registerRow
	for _, record := range records[1:] {
		table, ok := map[string]modbus.Table{"input": modbus.Input, "holding": modbus.Holding}[record[0]]
		address, errAddress := strconv.ParseUint(record[1], 10, 16)
		kind, okKind := modbus.ParseType(record[2])
		order, okOrder := modbus.ParseOrder(record[3])
		value, errValue := strconv.ParseFloat(record[4], 64)
		if !ok || !okKind || !okOrder || errAddress != nil || errValue != nil {
			t.Fatalf("registers.csv: cannot use %q", record)
		}
		rows = append(rows, registerRow{table, uint16(address), kind, order, value})
	}
	if len(rows) == 0 {
		t.Fatal("registers.csv is empty")
	}
	return rows
}

// request asks for the number. It is patient: the peer has no real line, and only
// a busy machine makes it late.
func (r registerRow) request() modbus.Request {
	return modbus.Request{
		Unit: peerUnit, Table: r.table, Address: r.address, Count: uint16(r.kind.Registers()), Timeout: peerPatience,
	}
}

// check compares what was read with the number; what is none must be known as none.
func (r registerRow) check(t testing.TB, data []byte) {
	t.Helper()
	value, ok := modbus.Decode(data, r.kind, r.order)
	isNumber := !math.IsNaN(r.value) && !math.IsInf(r.value, 0)
	if ok != isNumber || isNumber && value != r.value {
		t.Errorf("%v %v at %d: got %v, %v, want %v", r.kind, r.order, r.address, value, ok, r.value)
	}
}

func checkNumber(t testing.TB, client *modbus.Client, row registerRow) {
	t.Helper()
	data, _, err := client.Read(t.Context(), row.request())
	if err != nil {
		t.Errorf("%v %v at %d: %v", row.kind, row.order, row.address, err)
		return
	}
	row.check(t, data)
}

func checkBits(t testing.TB, client *modbus.Client, table modbus.Table, want uint16) {
	t.Helper()
	request := modbus.Request{Unit: peerUnit, Table: table, Address: 0, Count: 16, Timeout: peerPatience}
	data, _, err := client.Read(t.Context(), request)
	if err != nil {
		t.Errorf("%v: %v", table, err)
		return
	}
	for i := range 16 {
		if set, ok := modbus.Bit(data, i); !ok || set != (want>>i&1 != 0) {
			t.Errorf("%v %d: got %v, %v", table, i, set, ok)
		}
	}
}

// checkRefusal asks for a register that does not exist: exception 2 (illegal data
// address), which is no number and no reason to connect anew.
func checkRefusal(t testing.TB, client *modbus.Client) {
	t.Helper()
	data, _, err := client.Read(t.Context(), registerRow{table: modbus.Holding, address: 63, kind: modbus.Uint32}.request())
	var exception *modbus.Exception
	if !errors.As(err, &exception) || exception.Code != 2 || exception.Function != 3 || modbus.Lost(err) {
		t.Errorf("read beyond the last register gave % x, %v", data, err)
	}
}

// checkChanges sees new registers with the next reading.
func checkChanges(t testing.TB, client *modbus.Client, p *peer) {
	t.Helper()
	for n := range uint16(20) {
		p.set(t, "input", 60, n, ^n)
		checkNumber(t, client, registerRow{modbus.Input, 60, modbus.Uint32, modbus.ABCD, float64(uint32(n)<<16 | uint32(^n))})
	}
}

// checkCounts compares what the client says that it sent with what the peer says
// that it got.
func checkCounts(t testing.TB, client *modbus.Client, p *peer) {
	t.Helper()
	asked, broken := p.functions(t)
	sum := uint64(0)
	for _, count := range asked {
		sum += uint64(count)
	}
	if sent := client.Counters().Requests; sum != sent || broken != 0 {
		t.Errorf("peer was asked %v and could not read %d frames; %d were sent", asked, broken, sent)
	}
}

func connectTCP(t testing.TB, place string) *modbus.Client {
	t.Helper()
	return closeAfter(t, modbus.NewTCP(dial(t, place), modbus.Settings{}))
}

func connectRTU(t testing.TB, place string) *modbus.Client {
	t.Helper()
	port, err := serialport.Open(peerLine(place))
	if err != nil {
		t.Fatal(err)
	}
	return closeAfter(t, modbus.NewRTU(port, peerTimes(place)))
}

func connectRTUOverTCP(t testing.TB, place string) *modbus.Client {
	t.Helper()
	return closeAfter(t, modbus.NewRTU(dial(t, deviceServer(t, place)), peerTimes(place)))
}

func peerLine(device string) serialport.Settings {
	return serialport.Settings{Device: device, Baud: 19200}
}

func peerTimes(device string) modbus.Settings {
	line := peerLine(device)
	return modbus.Settings{
		CharTime:    modbus.CharTime(line.Baud, line.CharacterBits()),
		Silence:     modbus.Silence(line.Baud, line.CharacterBits()),
		WorstAnswer: 700 * time.Millisecond, // libmodbus listens half a second for a neighbour
	}
}

func dial(t testing.TB, place string) net.Conn {
	t.Helper()
	connection, err := net.DialTimeout("tcp", place, peerPatience)
	if err != nil {
		t.Fatal(err)
	}
	return connection
}

func closeAfter(t testing.TB, client *modbus.Client) *modbus.Client {
	t.Cleanup(func() {
		if err := client.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return client
}
