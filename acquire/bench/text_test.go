package bench

import (
	"strings"
	"testing"
	"time"

	"thimbled/peak"
)

func TestPrintedLines(t *testing.T) {
	division := 50 * peak.Newton
	for want, v := range map[string]Values{
		"+100.05 kN stable\r\n": {Force: 100_050 * peak.Newton, Status: Stable},
		"-0.10 kN moving\r\n":   {Force: -100 * peak.Newton},
		"+0.00 kN stable\r\n":   {Status: Stable},
		"over range\r\n":        {Force: 262_500 * peak.Newton, Status: OverRange},
		"self calibration\r\n":  {Status: NotReady},
		"nan kN\r\n":            {NaN: true, Status: Stable},
	} {
		if got := printed(v, division); got != want {
			t.Errorf("%+v is printed as %q, want %q", v, got, want)
		}
	}
}

const printedLoad = "+123.45 kN stable\r\n"

func TestIndicatorPrintsContinuously(t *testing.T) {
	settings := LineSettings{Kind: Text, Print: Printing{Every: 50 * time.Millisecond}}
	inMemory(t, settings, func(t *testing.T, l *Line, c client) {
		if got, want := string(c.listen(time.Second-1)), strings.Repeat(printedLoad, 20); got != want {
			t.Errorf("printed %q", got)
		}
		inject(t, l, Injection{Fault: Restart, For: 99 * time.Millisecond})
		if got := string(c.listen(150 * time.Millisecond)); got != "self calibration\r\nself calibration\r\n"+printedLoad {
			t.Errorf("after a restart %q was printed", got)
		}
	})
}

func TestIndicatorPrintsWhenAsked(t *testing.T) {
	inMemory(t, LineSettings{Kind: Text, Print: Printing{OnDemand: true}}, func(t *testing.T, l *Line, c client) {
		if got := c.listen(time.Second); len(got) > 0 {
			t.Errorf("printed %q unasked", got)
		}
		c.send([]byte("?\r\n?"))
		if got := string(c.listen(time.Second)); got != printedLoad+printedLoad {
			t.Errorf("printed %q", got)
		}
	})
}

func TestFaultsOfText(t *testing.T) {
	for fault, want := range map[Fault]string{
		HalfFrame:     printedLoad[:len(printedLoad)/2],
		Glued:         printedLoad + printedLoad,
		Echo:          "?" + printedLoad,
		Silent:        "",
		OverRangeFlag: "over range\r\n",
		NotANumber:    "nan kN\r\n",
		Restart:       "self calibration\r\n",
		ExtraByte:     printedLoad + "\x00",
		BadCRC:        printedLoad, // there is none on a text line
		Foreign:       printedLoad, // nor another unit
	} {
		inMemory(t, LineSettings{Kind: Text, Print: Printing{OnDemand: true}}, func(t *testing.T, l *Line, c client) {
			inject(t, l, Injection{Fault: fault})
			c.send([]byte("?"))
			if got := string(c.listen(time.Second)); got != want {
				t.Errorf("%s: printed %q, want %q", fault, got, want)
			}
		})
	}
}
