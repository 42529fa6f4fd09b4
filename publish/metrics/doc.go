// Package metrics shows a bench to Prometheus and answers whether the daemon is
// healthy. Gauges are read from one snapshot at each scrape, and what is not
// known or no longer fresh is absent rather than old; counters and histograms
// are fed by the loop. Names, units and meanings of the metrics are kept by
// testdata/metrics.txt. This is the only package that imports client_golang.
package metrics
