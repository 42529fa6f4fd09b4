package peak

import "time"

// point is a force at a time.
type point struct {
	at    time.Duration
	force Force
}

// queue is a double-ended queue of points in a ring that grows when it must
// and then allocates no more.
type queue struct {
	ring []point
	head int
	n    int
}

func (q *queue) at(i int) point { return q.ring[(q.head+i)%len(q.ring)] }
func (q *queue) first() point   { return q.at(0) }
func (q *queue) last() point    { return q.at(q.n - 1) }
func (q *queue) clear()         { q.n = 0 }

func (q *queue) dropFirst() {
	q.head = (q.head + 1) % len(q.ring)
	q.n--
}

func (q *queue) dropLast() { q.n-- }

func (q *queue) push(p point) {
	if q.n == len(q.ring) {
		q.grow()
	}
	q.ring[(q.head+q.n)%len(q.ring)] = p
	q.n++
}

func (q *queue) grow() {
	bigger := make([]point, max(64, 2*len(q.ring)))
	for i := range q.n {
		bigger[i] = q.at(i)
	}
	q.ring, q.head = bigger, 0
}

func (q *queue) clone() queue {
	c := *q
	c.ring = append([]point(nil), q.ring...)
	return c
}

// extreme keeps the greatest force of a span of time. The forces in its queue
// fall from first to last, so the first is the greatest.
type extreme struct{ queue }

func (e *extreme) push(p point) {
	for e.n > 0 && e.last().force <= p.force {
		e.dropLast()
	}
	e.queue.push(p)
}

func (e *extreme) dropBefore(t time.Duration) {
	for e.n > 0 && e.first().at < t {
		e.dropFirst()
	}
}

// window looks at the forces of the last span of watched time: a gap empties
// it, because time that was not watched does not count as quiet.
type window struct {
	span     time.Duration
	points   queue
	sum      Force
	greatest extreme
	least    extreme // of the negated forces
	since    time.Duration
}

func (w *window) push(s sample) {
	if s.gap > 0 || w.points.n == 0 {
		w.clear()
		w.since = s.at
	}
	w.points.push(point{s.at, s.indicated})
	w.sum += s.indicated
	w.greatest.push(point{s.at, s.indicated})
	w.least.push(point{s.at, -s.indicated})
	for w.points.first().at < s.at-w.span {
		w.sum -= w.points.first().force
		w.points.dropFirst()
	}
	w.greatest.dropBefore(s.at - w.span)
	w.least.dropBefore(s.at - w.span)
}

func (w *window) clear() {
	w.points.clear()
	w.greatest.clear()
	w.least.clear()
	w.sum = 0
}

// whole says that the window has been watched for its whole span.
func (w *window) whole() bool {
	return w.points.n > 0 && w.points.last().at-w.since >= w.span
}

// spread is the greatest force less the least.
func (w *window) spread() Force {
	if w.points.n == 0 {
		return 0
	}
	return w.greatest.first().force + w.least.first().force
}

// mean is the mean force, rounded half away from zero. The window must not be
// empty.
func (w *window) mean() Force { return meanOf(w.sum, w.points.n) }

func (w *window) clone() window {
	c := *w
	c.points = w.points.clone()
	c.greatest = extreme{w.greatest.clone()}
	c.least = extreme{w.least.clone()}
	return c
}

func meanOf(sum Force, n int) Force {
	count := Force(n)
	if sum < 0 {
		return -meanOf(-sum, n)
	}
	return (sum + count/2) / count
}
