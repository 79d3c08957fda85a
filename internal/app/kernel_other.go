//go:build !linux

package app

import "errors"

// clockSynced is not known here.
func clockSynced() bool { return false }

// space is not known here.
func space(string) (free, total uint64, err error) { return 0, 0, errors.ErrUnsupported }
