package store

import "syscall"

// freeSpace is how much of the disk that holds a directory is free for this
// user, in bytes; false where it is not known.
func freeSpace(dir string) (free uint64, known bool) {
	var s syscall.Statfs_t
	if syscall.Statfs(dir, &s) != nil {
		return 0, false
	}
	return s.Bavail * uint64(s.Bsize), true
}
