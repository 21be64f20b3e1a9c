package batch

import (
	"testing"

	"nailbridge/internal/page/pagetest"
)

// Contrast, width and columns of the summary.
func TestStyle(t *testing.T) { pagetest.Check(t, pageHTML, pageCSS) }
