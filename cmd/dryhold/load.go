package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"github.com/adrg/xdg"

	"dryhold/internal/catalog"
	"dryhold/internal/settings"
)

// load reads the configuration and the catalog. Without a file it is the
// default configuration. Every mistake in every file is in the error.
func load(path string) (*settings.Settings, *catalog.Catalog, error) {
	s := settings.Default()
	var problems error
	if path != "" {
		src, err := os.ReadFile(path)
		if err != nil {
			return nil, nil, fmt.Errorf("cannot read the configuration: %w", err)
		}
		s, problems = settings.Parse(path, src)
		resolve(s, filepath.Dir(path))
	}
	cat, err := loadCatalog(s.Catalog)
	if err := errors.Join(problems, err); err != nil {
		return nil, nil, err
	}
	if err := s.CheckFoods(cat, path); err != nil {
		return nil, nil, err
	}
	return s, cat, nil
}

func loadCatalog(extra []string) (*catalog.Catalog, error) {
	var own []settings.Source
	for _, path := range extra {
		data, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("cannot read a catalog file: %w", err)
		}
		own = append(own, settings.Source{File: path, Data: data})
	}
	return settings.Catalog(own...)
}

// resolve makes the files that a configuration names relative to its folder.
func resolve(s *settings.Settings, dir string) {
	files := secrets(s)
	for i := range s.Catalog {
		files = append(files, &s.Catalog[i])
	}
	if s.Backup != nil {
		files = append(files, &s.Backup.Folder)
	}
	for _, f := range files {
		if *f != "" && !filepath.IsAbs(*f) {
			*f = filepath.Join(dir, *f)
		}
	}
}

// secrets are the places of credentials and certificates, which are read only
// when the daemon starts.
func secrets(s *settings.Settings) []*string {
	files := []*string{
		&s.Broker.UsernameFile, &s.Broker.PasswordFile, &s.Broker.CAFile, &s.Broker.CertFile, &s.Broker.KeyFile,
	}
	if e := s.Broker.Embedded; e != nil {
		files = append(files, &e.UsernameFile, &e.PasswordFile)
		if e.TLS != nil {
			files = append(files, &e.TLS.CertFile, &e.TLS.KeyFile)
		}
	}
	if t := s.HTTP.TLS; t != nil {
		files = append(files, &t.CertFile, &t.KeyFile)
	}
	if m := s.Mail; m != nil {
		files = append(files, &m.UsernameFile, &m.PasswordFile)
	}
	if x := s.Influx; x != nil {
		files = append(files, &x.TokenFile, &x.CAFile)
	}
	if r := s.Router; r != nil {
		files = append(files, &r.TokenFile, &r.CAFile)
	}
	for _, c := range s.Notify.Channels {
		if c.Webhook != nil {
			files = append(files, &c.Webhook.CAFile)
		}
	}
	return append(files, channelSecrets(s)...)
}

// channelSecrets are the places of what webhooks, push and the ping must keep
// to themselves.
func channelSecrets(s *settings.Settings) []*string {
	files := []*string{&s.Notify.PingURLFile}
	for _, c := range s.Notify.Channels {
		if c.Webhook != nil {
			files = append(files, &c.Webhook.SecretFile)
		}
		if c.Push != nil {
			files = append(files, &c.Push.URLFile)
		}
	}
	return files
}

// unreadable lists, with the reason, the files of secrets that cannot be read
// from here. That is no mistake of the configuration: it may be checked on
// another machine or by another user.
func unreadable(s *settings.Settings) []string {
	var out []string
	for _, name := range secrets(s) {
		if *name == "" {
			continue
		}
		f, err := os.Open(*name)
		if err == nil {
			err = f.Close()
		}
		if path := (*fs.PathError)(nil); errors.As(err, &path) {
			out = append(out, fmt.Sprintf("%s: %v", *name, path.Err))
		}
	}
	return out
}

// readable lists the files that others on this machine can read and should
// not: those with passwords and keys, and a configuration with hashes.
func readable(configFile string, s *settings.Settings) []string {
	files := []string{s.Broker.PasswordFile, s.Broker.KeyFile}
	hashes := s.HTTP.HasLogin()
	if e := s.Broker.Embedded; e != nil {
		files, hashes = append(files, e.PasswordFile), hashes || len(e.Users) > 0
		if e.TLS != nil {
			files = append(files, e.TLS.KeyFile)
		}
	}
	if t := s.HTTP.TLS; t != nil {
		files = append(files, t.KeyFile)
	}
	if m := s.Mail; m != nil {
		files = append(files, m.PasswordFile)
	}
	if x := s.Influx; x != nil {
		files = append(files, x.TokenFile)
	}
	if r := s.Router; r != nil {
		files = append(files, r.TokenFile)
	}
	for _, file := range channelSecrets(s) {
		files = append(files, *file)
	}
	if hashes {
		files = append(files, configFile)
	}
	var out []string
	for _, name := range files {
		if info, err := os.Stat(name); name != "" && err == nil && tooOpen(info) && !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// tooOpen reports a file that more can read than its owner, and, where that is
// root, the one group it is given to: so the packages give secrets to the daemon.
func tooOpen(info fs.FileInfo) bool {
	s, known := info.Sys().(*syscall.Stat_t)
	if known && s.Uid == 0 && s.Gid != 0 {
		return info.Mode().IsRegular() && info.Mode().Perm()&0o027 != 0
	}
	return forOthers(info.Mode())
}

// dataDir is the directory given, or the platform's place for state.
func dataDir(given string) string {
	if given != "" {
		return given
	}
	return filepath.Join(xdg.StateHome, "dryhold")
}
