// SPDX-License-Identifier: GPL-2.0 OR MIT
/*
 * rig_lines: keeps account of what is on the lines of the simulated GPIO chip, which tells it every change.
 * debugfs file rig_lines, one row a line: number, level, nanoseconds high in all, rises in all, when it last changed
 * (CLOCK_MONOTONIC), when it last rose, nanoseconds high until then. So a duty is exact, over whole periods too, and so
 * is the moment at which a line went low.
 * Parameter persist: a released output keeps its level, as on the kernels of many small boards.
 */
#include <linux/debugfs.h>
#include <linux/ktime.h>
#include <linux/module.h>
#include <linux/seq_file.h>
#include <linux/spinlock.h>
#include "rig_lines.h"

#define LINES 64

static struct {
	u64 high_ns, rises, changed_ns, rose_ns, high_at_rise_ns;
	bool level;
} line[LINES];
static DEFINE_SPINLOCK(lock);
static struct dentry *file;
static bool persist;
module_param(persist, bool, 0644);
MODULE_PARM_DESC(persist, "a released output keeps its level");

bool rig_lines_persist(void)
{
	return persist;
}
EXPORT_SYMBOL(rig_lines_persist);

void rig_lines_note(unsigned int offset, bool level)
{
	u64 now_ns = ktime_get_ns();
	unsigned long flags;

	if (offset >= LINES)
		return;
	spin_lock_irqsave(&lock, flags);
	if (level != line[offset].level) {
		if (level) {
			line[offset].rises++;
			line[offset].rose_ns = now_ns;
			line[offset].high_at_rise_ns = line[offset].high_ns;
		} else {
			line[offset].high_ns += now_ns - line[offset].changed_ns;
		}
		line[offset].level = level;
		line[offset].changed_ns = now_ns;
	}
	spin_unlock_irqrestore(&lock, flags);
}
EXPORT_SYMBOL(rig_lines_note);

static int rig_lines_show(struct seq_file *out, void *unused)
{
	unsigned long flags;
	u64 now_ns;
	int i;

	spin_lock_irqsave(&lock, flags);
	now_ns = ktime_get_ns();
	seq_printf(out, "now %llu\n", now_ns);
	for (i = 0; i < LINES; i++) {
		if (!line[i].changed_ns)
			continue;
		seq_printf(out, "%d %d %llu %llu %llu %llu %llu\n", i, line[i].level,
			   line[i].high_ns + (line[i].level ? now_ns - line[i].changed_ns : 0),
			   line[i].rises, line[i].changed_ns, line[i].rose_ns, line[i].high_at_rise_ns);
	}
	spin_unlock_irqrestore(&lock, flags);
	return 0;
}
DEFINE_SHOW_ATTRIBUTE(rig_lines);

static int __init rig_lines_init(void)
{
	file = debugfs_create_file("rig_lines", 0444, NULL, NULL, &rig_lines_fops);
	return 0;
}

static void __exit rig_lines_exit(void)
{
	debugfs_remove(file);
}

module_init(rig_lines_init);
module_exit(rig_lines_exit);
MODULE_LICENSE("Dual MIT/GPL");
MODULE_DESCRIPTION("account of the lines of a simulated GPIO chip");
