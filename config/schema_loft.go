package config

import "strings"

var loftKeys = []key{
	{name: "name", example: `"Harbour lifting-gear loft"`,
		doc:   "Name of the loft.",
		field: words("Harbour lifting-gear loft", checkLine, func(d *draft, s string) { d.cfg.Loft.Name = s })},
	{name: "address", example: `"Slipway 4\nSouth Quay"`,
		doc: `Its postal address, at most five lines with \n between them.`,
		field: words(`Slipway 4\nSouth Quay`, checkLines,
			func(d *draft, s string) { d.cfg.Loft.Address = strings.Split(s, "\n") })},
	{name: "contact", example: `"loft@south-quay.example"`,
		doc:   "How it can be reached, such as by telephone and e-mail.",
		field: words("loft@south-quay.example", checkLine, func(d *draft, s string) { d.cfg.Loft.Contact = s })},
	{name: "paper", fallback: text(string(A4)),
		doc:   "Size of the paper that certificates are printed on.",
		field: choice(func(d *draft, p Paper) { d.cfg.Loft.Paper = p }, A4, Letter)},
}
