package settings

import "github.com/goccy/go-yaml/ast"

// recipients reads who is told.
func (p *parse) recipients(n ast.Node) {}
