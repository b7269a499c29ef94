//go:build unix

package configs

// hasPermissions tells that files have an owner, a group and others.
const hasPermissions = true
