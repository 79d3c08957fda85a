package review_test

import (
	"os"
	"testing"

	"dryhold/internal/catalog"
	"dryhold/internal/review"
	"dryhold/internal/settings"
)

func TestMain(m *testing.M) {
	review.Ship(func() (*catalog.Catalog, error) { return settings.Catalog() })
	os.Exit(m.Run())
}
