// What browsers have and the library of tsc 4.8 does not know yet, written as newer ones have it.

interface WakeLockSentinel extends EventTarget {
  release(): Promise<void>;
}

interface WakeLock {
  request(type?: "screen"): Promise<WakeLockSentinel>;
}

interface Navigator {
  readonly wakeLock: WakeLock;
}

// Passed as text, which it stands for.
type TrustedHTML = string;

interface TrustedTypePolicy {
  createHTML(text: string): TrustedHTML;
}

declare var trustedTypes:
  | { createPolicy(name: string, rules: { createHTML(text: string): string }): TrustedTypePolicy }
  | undefined;
