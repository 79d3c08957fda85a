package web

// maxKey is the longest Idempotency-Key taken, bytes.
const maxKey = 255
