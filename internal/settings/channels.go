package settings

import "github.com/goccy/go-yaml/ast"

// Channel is one way to people.
type Channel struct {
	Name string
}

// channel reads one way to people.
func (p *parse) channel(n ast.Node) {}
