package main_test

import (
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"
)

// TestPageAlarm unplugs the load cell of a simulated bench in mid-pull before an open page:
// the banner stands there until the alarm is over, and no force beside it.
func TestPageAlarm(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	script := "pull p\nrest 60s; unplug-cell \"60 kN\" frozen; raise \"102.5 kN\" over 40s; hold 20s; release 20s\npull q\nrest 3600s\n"
	path, journal, _ := alarmBench(t, script, alarmCylinder)
	p := &pagedBench{config: path, journal: journal, web: webOf(t, path)}
	b.size(820, 1180)
	b.open(p.url())
	b.untilForce()
	ask(t, path, 0, "", "job", "open", "--job", "u-1", "--item", "HL-0042", "--required", "100 kN", "--limit", "112 kN", "--hold", "1 s")
	// What the page shows is noted in the very moment it comes.
	b.run(`const banner = document.querySelector("#danger");
		new MutationObserver(() => {
			if (banner.hidden) return;
			window.alarmed ??= Date.now();
			(window.beside ??= []).push(document.querySelector("#force").textContent);
		}).observe(document.body, { attributes: true, childList: true, characterData: true, subtree: true });`, nil)
	b.untilText("#danger", "Alarm: The force does not follow the pressure Stop pumping. Release the pressure.")
	b.untilText("#phase", "Alarm")
	b.untilText("#checks", "Alarm: not in order")
	b.shoot("alarm")
	var title string
	if b.run(`return document.title`, &title); !strings.HasPrefix(title, "ALARM") {
		t.Errorf("the title is %q", title)
	}
	b.until("the alarm to be over", func() bool { return !b.shown("#danger") })
	var seen struct {
		At     int64
		Beside []string
	}
	b.run(`return { at: window.alarmed, beside: [...new Set(window.beside)] }`, &seen)
	if !slices.Contains(seen.Beside, "force not trusted") || strings.ContainsAny(strings.Join(seen.Beside, ""), "0123456789") {
		t.Errorf("beside the alarm the page showed %q", seen.Beside)
	}
	raised := p.recordsOf(t, "thimbled.alarm.raised")[0]
	var told alarmEvent
	if err := json.Unmarshal(raised.Data, &told); err != nil {
		t.Fatal(err)
	}
	shown := time.UnixMilli(seen.At)
	t.Logf("shown %v after it was raised, %v after all was well", shown.Sub(timeOf(t, raised)), shown.Sub(told.Since))
	b.untilText("#pulls", "A reading during the pull cannot be trusted.")
}
