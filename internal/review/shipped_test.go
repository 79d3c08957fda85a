package review

import "dryhold/internal/catalog"

// Ship gives the tests the catalog that ships. Package settings reads it, and
// imports this package, so that the tests outside of it bring it in.
func Ship(c func() (*catalog.Catalog, error)) { ships = c }

var ships func() (*catalog.Catalog, error) // set once, before any test
