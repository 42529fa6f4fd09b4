package main_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// TestPageVerification leads a verification on the page from start to finish, and then
// pulls outside the range that it verified.
func TestPageVerification(t *testing.T) {
	t.Parallel()
	b := openBrowser(t)
	p := startCompared(t)
	b.size(820, 1180)
	b.open(p.url())
	b.untilText("#verified", "No verification on record")
	b.untilText("#checks", "Verification of the force: attention, none on record")
	b.write("#who", "C. Ny")
	b.click("#verify-work > summary")
	b.write("#verify-start [name=standard]", "reference cell RC-7, report 2026-114")
	b.write("#verify-start [name=standard_uncertainty]", "0.12")
	b.insistVerify(t, "#verify-start", "has begun")
	b.untilText("#phase", "Verifying")
	b.untilText("#job", "0 points so far")
	p.takeRunOnPage(t, b)
	b.insistVerify(t, "#verify-finish", "Not done. ")
	b.untilText("#verify-lacks", "cannot be finished")
	b.shootAt("verify-run-1", "#verify-work")
	p.reach(t, 50.1)
	b.write("#verify-force", "40")
	b.insistVerify(t, "#verify-point", "Taken for run 2: 40.00 kN applied, 50.10 kN indicated, error +25.25 %")
	b.write(`form[data-ask="verify.drop"] [name=why]`, "a slip of the pen")
	b.insistVerify(t, `form[data-ask="verify.drop"]`, "The point at 40.00 kN of run 2 is taken back.")
	p.takeRunOnPage(t, b)
	b.untilText("#verify-lacks", "can be finished")
	b.shootAt("verify-run-2", "#verify-work")
	b.insistVerify(t, "#verify-finish", "Verified from 50.00 kN to 250.00 kN")
	b.untilText("#verified", "Verified")
	b.untilText("#verified", "reference cell RC-7, report 2026-114, whose uncertainty is 0.12 %")
	b.untilText("#checks", "Verification of the force: in order, 50.00 kN to 250.00 kN")
	b.untilText("#changes-said", "Changes so far: 0") // the first verification changes nothing that was there
	b.shootAt("verified", ".grounds")
	if all := p.verifiedOf(t); len(all) != 1 || all[0].By != "C. Ny" || len(all[0].Points) != 2*len(compared)+2 {
		t.Errorf("recorded as verified: %+v", all)
	}
	p.decideOnPage(t, b)
	p.checkOutsideOnPage(t, b)
	b.checkHarmlessly(t)
}

// insistVerify sends a form of the verification until it is answered so.
func (b *browser) insistVerify(t *testing.T, form, says string) {
	t.Helper()
	b.until(fmt.Sprintf("%s to be answered with %q", form, says), func() bool {
		var text string
		b.click(form + " button")
		b.until("an answer", func() bool { text = b.text("#verify-answer"); return text != "" })
		return strings.Contains(text, says)
	})
}

// takeRunOnPage takes a run as an operator does: waits until the page says that the
// force is steady, and enters what the reference shows.
func (p *comparedBench) takeRunOnPage(t *testing.T, b *browser) {
	t.Helper()
	for _, point := range compared {
		p.reach(t, point[1])
		b.untilText("#verify-indicated", fmt.Sprintf("Indicated: %.2f kN", point[1]))
		b.untilText("#verify-steady", "Steady")
		b.write("#verify-force", fmt.Sprint(point[0]))
		error := 100 * (point[1] - point[0]) / point[0]
		b.insistVerify(t, "#verify-point", fmt.Sprintf("%.2f kN applied, %.2f kN indicated, error %+.2f %%", point[0], point[1], math.Round(error*100)/100))
	}
	p.reach(t, 0)
	b.click("#verify-zero")
	b.untilText("#verify-answer", "0.00 kN applied, 0.00 kN indicated")
}

// decideOnPage opens a job that is judged guarded by the uncertainty, and gives it up.
func (p *comparedBench) decideOnPage(t *testing.T, b *browser) {
	t.Helper()
	b.click("#open-job > summary")
	b.write("#job-form [name=item]", "HL-1")
	b.click("#job-form [value=own]")
	b.write("#job-form [name=required]", "100")
	b.write("#job-form [name=limit]", "112")
	b.click("#job-form [name=decision] [value=guard]")
	if !b.shown("#job-form [name=guard]") {
		t.Error("the form does not ask for the guard")
	}
	b.click("#job-form [name=decision] [value=uncertainty]")
	if b.shown("#job-form [name=guard]") {
		t.Error("the form asks for a guard that has no meaning")
	}
	b.shootAt("decision-form", "#job-form fieldset")
	b.insist("#job-form", "is open: whole length to 100.")
	b.untilText("#decision", "Decision rule: guarded by the expanded uncertainty.")
	b.untilText("#job", "(asked 100.00 kN)")
	b.untilText("#job", "guarded by the expanded uncertainty")
	b.shoot("decision")
	ask(t, p.config, 0, "", "job", "cancel", "--why", "only to see")
}

// checkOutsideOnPage makes a pull below the verified range: the page says that it is
// void, and why.
func (p *comparedBench) checkOutsideOnPage(t *testing.T, b *browser) {
	t.Helper()
	ask(t, p.config, 0, "", "job", "open", "--item", "HL-2", "--required", "20 kN", "--hold", "500 ms")
	b.untilText("#decision", "Decision rule: simple acceptance.")
	e := p.hold(t, 21)
	line := fmt.Sprintf(`#pulls details[data-pull="%d"] summary`, e.Pull)
	b.untilText(line, "Void")
	b.untilText(line, "outside the range in which the load cell was verified")
	b.untilText(line, "± ")
	b.run(`document.querySelector(arguments[0]).scrollIntoView({ block: "center" })`, nil, line)
	b.click(line)
	b.untilText(fmt.Sprintf(`#pulls details[data-pull="%d"]`, e.Pull), "Force held, k = 2")
	b.shootAt("void", "#pulls")
	b.untilText("#phase", "Ended: void")
}

// checkHarmlessly checks that the browser found nothing wrong.
func (b *browser) checkHarmlessly(t *testing.T) {
	t.Helper()
	for _, complaint := range b.complaints() {
		t.Errorf("the browser complains: %s", complaint)
	}
}

// shootAt takes pictures with an element at the top of the screen.
func (b *browser) shootAt(name, selector string) {
	b.t.Helper()
	if *pictures == "" {
		return
	}
	was := b.screen
	defer func() { b.size(was[0], was[1]) }()
	for _, s := range [][2]int{{390, 844}, {820, 1180}, {1920, 1080}} {
		b.size(s[0], s[1])
		b.run(`document.querySelector(arguments[0]).scrollIntoView()`, nil, selector)
		time.Sleep(300 * time.Millisecond) // the curve is drawn anew
		b.picture(fmt.Sprintf("%s/%s-%d.png", *pictures, name, s[0]))
	}
}
