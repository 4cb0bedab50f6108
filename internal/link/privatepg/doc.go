// Package privatepg runs a PostgreSQL cluster that belongs to this program
// alone: made on first use from locally installed server programs, reached only
// through a Unix socket by peer authentication, and stopped with the program.
//
// The postmaster is a direct child. When the program runs as root, the server
// runs as an unprivileged account, because PostgreSQL refuses root. If the
// program is killed, the kernel asks the postmaster to shut down (parent-death
// signal); should one survive nevertheless, the next Start finds it by its pid
// file, its executable and its working directory, stops it and starts anew.
//
// Everything lies in Options.Dir/postgres:
//
//	data       the cluster; it appears by rename only when it is complete
//	data.new   an initialisation that was cut off; removed at the next start
//	data.lock  flock of the program that runs the cluster
//	run        the socket, unless the path is too long for one
//
// The package never removes or converts data. Data of another major version of
// PostgreSQL is refused with the remedy. The role and the database are both
// named curetally; the role owns the cluster. Stopping is SIGINT (fast shutdown)
// and then SIGQUIT; the postmaster is never killed with SIGKILL, which would
// leave shared memory and children behind.
package privatepg
